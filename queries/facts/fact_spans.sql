-- name: fact_spans
-- answers: From which day to which day was each unit watched, and why did watching end?
-- grain: one row per unit and span of observation
-- inputs: fact_watched
-- params: none (variables as_of, as_loaded, since, families, fuels, contract_only)
-- choice: See fact_watched, of which this shows the columns that questions read.
-- trap: A call-out unit that leaves without a word looks watched to the end of the records; see
--    ends_by_contact_on, the other bracket (last contact plus 365 days).
-- source: methods page, "Observation", "Call-out units"
-- adds: by unit
select
    span.unit_id,
    span.span,
    span.starts_on,
    span.ends_on,
    span.ends_because,
    span.followed_as,
    span.leaves_unseen,
    span.last_contact_on,
    span.ends_by_contact_on
from fact_watched as span
