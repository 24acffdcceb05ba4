-- name: lives_keyed
-- answers: What does resampling by unit need: each life, with a number that stands for its unit or building?
-- grain: one row per life
-- inputs: fact_lives
-- params: $part, $births (list of known, assumed), $followed (list of contract, call_out),
--    $by (list of columns), $bracket (stated_end or last_contact), $clock (days or loads)
-- choice: The lives of lives_cells, by the same rules. The number is the lower half of the md5 of the
--    building, else of the unit: the same on every machine and in every partition.
-- trap: Lives with one number are drawn together or not at all: they are not independent.
-- source: methods page, "How sure"
-- adds: rows
with lives as (
    select
        md5_number_lower(coalesce(life.building_id, life.unit_id)) as cluster_key,
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
        cast(round(life.entry_days * clock.per_day) as integer) as entry_age,
        cast(round(
            case when $bracket = 'last_contact' then life.exit_by_contact_days else life.exit_days end
            * clock.per_day
        ) as integer) as exit_age,
        life.ending = 'failed' as failed
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
)

select
    cluster_key,
    cast(to_json(stratum) as varchar) as stratum,
    entry_age,
    exit_age,
    failed
from lives
where exit_age > entry_age or (exit_age = 0 and entry_age = 0)
