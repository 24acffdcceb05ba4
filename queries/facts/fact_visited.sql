-- name: fact_visited
-- answers: When was each unit visited first and last, and may two visits share a day?
-- grain: one row per unit with a visit
-- inputs: fact_visits, stg_clock
-- params: none (variables as_of, as_loaded, since, families, fuels)
-- choice: The first visit is the first within the records; the last is the last of all.
-- trap: may_share_a_day only narrows the search: every 64th day has the same bit.
-- source: methods page, "Observation"
-- adds: by unit
select
    visit.unit_number,
    min(visit.visited_on) filter (where visit.visited_on >= clock.records_from) as first_on,
    max(visit.visited_on) as last_on,
    bit_count(
        bit_or(cast(1 as ubigint) << cast((visit.visited_on - date '0001-01-01') % 64 as utinyint))
    ) < count(*) as may_share_a_day
from fact_visits as visit
cross join stg_clock as clock
group by visit.unit_number
