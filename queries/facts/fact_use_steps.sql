-- name: fact_use_steps
-- answers: At which number of loads a week does each tenth of the units begin?
-- grain: one row per tenth that has a unit
-- inputs: fact_use_counts
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: Tenths of equal size; where the number of units is no multiple of ten, the first tenths
--    have one more.
-- trap: Units with the same loads may fall on both sides: place says how many of them, in the order
--    of their ids, lie before the step.
-- source: methods page, first section (ten bins or more)
-- adds: company
with ranked as (
    select
        use.loads_per_week,
        cast(sum(use.units) over (order by use.loads_per_week) as bigint) - use.units as units_before,
        use.units
    from fact_use_counts as use
    where use.loads_per_week is not null
),

total as (
    select cast(coalesce(sum(ranked.units), 0) as bigint) as units from ranked
),

starts as (
    select
        tenth.number as bin,
        (tenth.number - 1) * (total.units // 10) + least(tenth.number - 1, total.units % 10) as begins
    from range(1, 11) as tenth(number)
    cross join total
)

select
    cast(starts.bin as integer) as bin,
    ranked.loads_per_week,
    starts.begins - ranked.units_before as place
from starts
inner join ranked
    on ranked.units_before <= starts.begins
    and ranked.units_before + ranked.units > starts.begins
