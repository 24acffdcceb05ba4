-- name: fact_same_day
-- answers: In which order do visits to one unit on one day stand?
-- grain: one row per visit that shares its day with another
-- inputs: fact_visits, fact_visited
-- params: none (variables as_of, as_loaded)
-- choice: Visits of one day are ordered by job_id: the records hold no hour.
-- trap: A visit that is not here is the only one of its day.
-- source: methods page, "Episodes"
-- adds: by unit
with suspects as (
    select visit.rowid as visit_number, visit.unit_number, visit.visited_on, visit.job_id
    from fact_visits as visit
    where visit.unit_number in (
        select unit.unit_number from fact_visited as unit where unit.may_share_a_day
    )
)

select
    visit.visit_number,
    row_number() over (
        partition by visit.unit_number, visit.visited_on order by visit.job_id
    ) as day_order
from suspects as visit
qualify count(*) over (partition by visit.unit_number, visit.visited_on) > 1
