-- name: fact_units_use
-- answers: How heavily is each unit used, in tenths of all units?
-- grain: one row per unit
-- inputs: stg_units
-- params: none
-- choice: Ten quantile bins, numbered 1 (light) to 10 (heavy); not recorded is bin 0.
-- trap: Two or three bins leave confounding by use in place.
-- source: methods page, first section (ten bins or more)
with known as (
    select unit_id, loads_per_week, ntile(10) over (order by loads_per_week, unit_id) as loads_bin
    from stg_units
    where loads_per_week is not null
)

select
    unit.unit_id,
    unit.loads_per_week,
    cast(coalesce(known.loads_bin, 0) as integer) as loads_bin
from stg_units as unit
left join known on known.unit_id = unit.unit_id
