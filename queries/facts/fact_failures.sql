-- name: fact_failures
-- answers: On which visit was which part found failed?
-- grain: one row per visit, part and position found failed
-- inputs: stg_lines, fact_places, fact_visits, fact_joined_visits
-- params: none (variables as_of, as_loaded)
-- choice: The failed rows of fact_findings, by its rules, in numbers: whatever was done about them,
--    resets and trips too.
-- trap: A failure that is looked at on two visits is here twice, with one opened_on.
-- source: methods page, "What ends a life"
-- adds: by unit
with lines as (
    select line.job_id, line.part, line.position, line.finding, line.action
    from stg_lines as line
    where line.finding in ('failed', 'worn') or line.action = 'replaced'
),

placed as (
    select
        visit.rowid as visit_number,
        place.place_number,
        line.finding,
        line.action
    from lines as line
    inner join fact_visits as visit on visit.job_id = line.job_id
    inner join fact_places as place on place.part = line.part and place.position = line.position
),

outcomes as (
    select
        placed.visit_number,
        placed.place_number,
        bool_or(placed.finding = 'failed') as found_failed,
        bool_or(placed.finding = 'worn') and bool_or(placed.action = 'replaced') as worn_out,
        bool_or(placed.action = 'replaced') as replaced
    from placed
    group by placed.visit_number, placed.place_number
    having found_failed or worn_out
)

select
    cast(outcome.visit_number as integer) as visit_number,
    visit.unit_number,
    outcome.place_number,
    visit.visited_on,
    coalesce(joined.opened_on, visit.visited_on) as opened_on,
    case
        when joined.visit_number is null then visit.maintained else joined.kind = 'maintenance'
    end as maintained,
    outcome.replaced
from outcomes as outcome
inner join fact_visits as visit on visit.rowid = outcome.visit_number
inner join fact_places as place on place.place_number = outcome.place_number
left join fact_joined_visits as joined on joined.visit_number = outcome.visit_number
where outcome.found_failed
    or (
        place.worn_is_failure
        and case when joined.visit_number is null then visit.called else joined.kind = 'call_out' end
    )
