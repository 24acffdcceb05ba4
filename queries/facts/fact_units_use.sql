-- name: fact_units_use
-- answers: How heavily is each unit used, in tenths of all units?
-- grain: one row per unit
-- inputs: stg_units, fact_use_bounds
-- params: none
-- choice: Ten quantile bins, numbered 1 (light) to 10 (heavy); not recorded is bin 0.
-- trap: Two or three bins leave confounding by use in place.
-- source: methods page, first section (ten bins or more)
-- adds: by unit
with bounds as (
    select coalesce(
        list(struct_pack(loads := bound.loads_per_week, unit := bound.unit_id) order by bound.bin), []
    ) as edges
    from fact_use_bounds as bound
)

select
    unit.unit_id,
    unit.loads_per_week,
    case
        when unit.loads_per_week is null then 0
        else cast(len(list_filter(
            bounds.edges,
            lambda edge: edge <= struct_pack(loads := unit.loads_per_week, unit := unit.unit_id)
        )) as integer)
    end as loads_bin
from stg_units as unit
cross join bounds
