-- name: lives_looked
-- answers: Between which ages can each life have ended, where maintenance found the failure?
-- grain: one row per age at entry, last age seen working and age found failed, with its lives
-- inputs: fact_lives, fact_findings
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

looks as (
    select finding.unit_id, finding.position, finding.visited_on, finding.kind, finding.failed, finding.opened_on
    from fact_findings as finding
    where finding.part = $part and (finding.failed or finding.finding in ('working', 'worn'))
),

found as (
    select distinct look.unit_id, look.position, look.opened_on as exits_on
    from looks as look
    where look.failed and look.kind = 'maintenance'
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
        and not look.failed
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
