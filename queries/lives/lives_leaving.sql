-- name: lives_leaving
-- answers: How many call-out units were simply not heard of again?
-- grain: one row
-- inputs: fact_spans
-- params: none
-- choice: Spans that run to the end of the records because nobody said otherwise.
-- trap: Some of them still run well: that is what the silent-loss likelihood is about.
-- source: methods page, "Call-out units"
-- adds: sums spans
select count(*) filter (where span.leaves_unseen) as spans
from fact_spans as span
