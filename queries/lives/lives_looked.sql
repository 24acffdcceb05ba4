-- name: lives_looked
-- answers: Between which ages can each life have ended, where maintenance found the failure?
-- grain: one row per age at entry, last age seen working and age found failed, with its lives
-- inputs: fact_lives, fact_failures, fact_places, fact_visits, fact_units, stg_lines
-- params: $part, $births (list of known, assumed), $followed (list of contract, call_out)
-- choice: A failure that brought a call is dated to the call. One found during maintenance lies
--    between the last look at the part (or its entry) and the finding; a blank end: not failed.
-- trap: An untested part was not looked at.
-- source: methods page, "Curves and fits" (interval-censored findings)
-- adds: sums lives; order entry_days, seen_days, found_days
with lives as (
    select life.*
    from fact_lives as life
    where life.part = $part
        and list_contains($births, life.birth)
        and list_contains($followed, life.followed_as)
        and (life.exit_days > life.entry_days or (life.exit_days = 0 and life.entry_days = 0))
),

places as (
    select place.place_number, place.position from fact_places as place where place.part = $part
),

failures as (
    select
        failure.visit_number,
        failure.unit_number,
        failure.opened_on,
        failure.maintained,
        place.position
    from fact_failures as failure
    inner join places as place on place.place_number = failure.place_number
),

found as (
    select distinct unit.unit_id, failure.position, failure.opened_on as exits_on
    from failures as failure
    inner join fact_units as unit on unit.unit_number = failure.unit_number
    where failure.maintained
),

-- earlier looks at parts of such units
visits as (
    select visit.rowid as visit_number, visit.job_id, visit.visited_on, unit.unit_id
    from fact_visits as visit
    inner join fact_units as unit on unit.unit_number = visit.unit_number
    where visit.unit_number in (
        select failure.unit_number from failures as failure where failure.maintained
    )
),

looks as (
    select visit.unit_id, line.position, visit.visited_on
    from stg_lines as line
    inner join visits as visit on visit.job_id = line.job_id
    where line.part = $part
        and line.finding in ('working', 'worn')
        and not exists (
            select 1 from failures as failure
            where failure.visit_number = visit.visit_number and failure.position = line.position
        )
),

seen as (
    select
        life.unit_id,
        life.position,
        life.ordinal,
        life.span,
        max(look.visited_on) as seen_on
    from lives as life
    inner join found
        on found.unit_id = life.unit_id
        and found.position = life.position
        and found.exits_on = life.exits_on
    left join looks as look
        on look.unit_id = life.unit_id
        and look.position = life.position
        and look.visited_on > life.enters_on
        and look.visited_on < life.exits_on
    where life.ending = 'failed'
    group by life.unit_id, life.position, life.ordinal, life.span
),

ends as (
    select
        life.entry_days,
        case
            when seen.unit_id is not null then coalesce(seen.seen_on - life.born_on, life.entry_days)
            else life.exit_days
        end as seen_days,
        case when life.ending = 'failed' then life.exit_days end as found_days
    from lives as life
    left join seen
        on seen.unit_id = life.unit_id
        and seen.position = life.position
        and seen.ordinal = life.ordinal
        and seen.span = life.span
)

select entry_days, seen_days, found_days, count(*) as lives
from ends
group by entry_days, seen_days, found_days
order by entry_days, seen_days, found_days
