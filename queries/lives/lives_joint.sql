-- name: lives_joint
-- answers: How old was the unit when a part of unknown age came under observation, how long was the
--    part watched, and how did its life end?
-- grain: one row per kind of birth, unit age at entry, time known working, time watched and ending
-- inputs: fact_lives, stg_units, stg_clock
-- params: $part, $followed (list of contract, call_out), $bracket (stated_end or last_contact)
-- choice: A contract unit is watched from its entry. A call-out unit counts from its installation or
--    the start of the records: it would have called had the part failed before its first visit, so
--    the part is known to have worked until then. First-fitted sockets only; known births are rows
--    of their own, for the shares of endings.
-- trap: The part whose failure was the first visit has forward = given and adds nothing.
-- source: methods page, "Birth"
-- adds: sums lives; order kind, entry_days, given_days, forward_days, ending
with lives as (
    select
        life.part,
        life.birth,
        life.first_or_later,
        life.followed_as,
        unit.installed_on,
        life.born_on,
        life.enters_on,
        case when $bracket = 'last_contact' then life.exits_by_contact_on else life.exits_on end as exits_on,
        case
            when life.ending = 'failed' then 'failed'
            when life.ending in ('replaced_working', 'replaced_unknown', 'preventive', 'tripped') then 'other'
            else 'left'
        end as ending,
        case
            when life.followed_as = 'call_out' then greatest(unit.installed_on, clock.records_from)
            else life.enters_on
        end as counts_from_on
    from fact_lives as life
    inner join stg_units as unit on unit.unit_id = life.unit_id
    cross join stg_clock as clock
    where life.part = $part
        and list_contains($followed, life.followed_as)
),

unknown_births as (
    select
        'unknown_birth' as kind,
        least(counts_from_on, enters_on) - installed_on as entry_days,
        enters_on - least(counts_from_on, enters_on) as given_days,
        exits_on - least(counts_from_on, enters_on) as forward_days,
        ending
    from lives
    where birth = 'assumed' and first_or_later = 'first' and installed_on is not null
),

known_births as (
    select
        'known_birth' as kind,
        cast(0 as bigint) as entry_days,
        cast(0 as bigint) as given_days,
        exits_on - enters_on as forward_days,
        ending
    from lives
    where birth = 'known'
)

select kind, entry_days, given_days, forward_days, ending, count(*) as lives
from (
    select * from unknown_births
    union all
    select * from known_births
)
group by kind, entry_days, given_days, forward_days, ending
order by kind, entry_days, given_days, forward_days, ending
