-- name: vents_cleanings
-- answers: How many cleanings of the full run are recorded on units while they were watched?
-- grain: one row per way of being watched that has a cleaning
-- inputs: stg_cleanings, fact_spans
-- params: none
-- choice: Both ends of a span count; a cleaning of another scope does not.
-- trap: A duct new at installation is no cleaning: without one, neglected cannot be told from not
--    written down.
-- source: methods page, "Neglect"
-- adds: sums cleanings; order followed_as
select span.followed_as, count(*) as cleanings
from stg_cleanings as cleaning
inner join fact_spans as span
    on span.unit_id = cleaning.unit_id
    and cleaning.cleaned_on between span.starts_on and span.ends_on
where cleaning.scope = 'full_run'
group by span.followed_as
order by span.followed_as
