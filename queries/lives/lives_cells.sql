-- name: lives_cells
-- answers: At each whole age (days, or loads dried), how many lives entered, failed or left?
-- grain: one row per stratum, cause and age
-- inputs: fact_lives
-- params: $part, $births (list of known, assumed), $followed (list of contract, call_out),
--    $by (list of columns), $bracket (stated_end or last_contact), $clock (days or loads)
-- choice: Entry at an age counts from the next age on: at risk is entry < age <= exit. A life that
--    enters and leaves at one age above 0 is dropped here and counted by lives_kept.
-- trap: Trips stand apart as their own cause; replaced while working or untested, and preventive
--    replacement, are causes of their own and not failures. On the loads clock units whose use is
--    not recorded are left out.
-- source: methods page, "Lives"
-- adds: sums entered, failed, tripped, replaced_working, replaced_unknown, preventive, left;
--    order stratum, age
with lives as (
    select
        list_transform($by, lambda col: case col
            when 'family' then life.family
            when 'fuel' then life.fuel
            when 'first_or_later' then life.first_or_later
            when 'followed_as' then life.followed_as
            when 'van_id' then life.van_id
            when 'item_id' then life.item_id
            when 'position' then cast(life.position as varchar)
            when 'duct_material' then life.duct_material
            when 'termination' then life.termination
            else error('lives cannot be told apart by ' || col)
        end) as stratum,
        life.entry_days * clock.per_day as entry_age,
        case when $bracket = 'last_contact' then life.exit_by_contact_days else life.exit_days end
            * clock.per_day as exit_age,
        case
            when life.ending in ('failed', 'tripped', 'replaced_working', 'replaced_unknown', 'preventive')
                then life.ending
            else 'left'
        end as ending
    from fact_lives as life
    cross join lateral (
        select case $clock
            when 'loads' then life.loads_per_week / 7
            when 'days' then 1.0
            else error('the clock is days or loads')
        end as per_day
    ) as clock
    where life.part = $part
        and clock.per_day is not null
        and list_contains($births, life.birth)
        and list_contains($followed, life.followed_as)
),

whole as (
    select
        stratum,
        cast(round(entry_age) as bigint) as entry_age,
        cast(round(exit_age) as bigint) as exit_age,
        ending
    from lives
),

used as (
    select * from whole where exit_age > entry_age or (exit_age = 0 and entry_age = 0)
),

events as (
    select stratum, entry_age as age, 'entered' as event from used
    union all
    select stratum, exit_age as age, ending as event from used
)

select
    to_json(stratum) as stratum,
    age,
    count(*) filter (where event = 'entered') as entered,
    count(*) filter (where event = 'failed') as failed,
    count(*) filter (where event = 'tripped') as tripped,
    count(*) filter (where event = 'replaced_working') as replaced_working,
    count(*) filter (where event = 'replaced_unknown') as replaced_unknown,
    count(*) filter (where event = 'preventive') as preventive,
    count(*) filter (where event = 'left') as "left"
from events
group by stratum, age
order by stratum, age
