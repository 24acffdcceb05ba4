-- name: fact_units
-- answers: Which units are there, under which number, and what do their lives take from them?
-- grain: one row per unit
-- inputs: stg_units, fact_models
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: Units are numbered once, from 0; later joins are by number, not by text.
-- trap: A unit without a job is here too: lives are built from the roster.
-- source: methods page, first section
-- adds: by unit
select
    cast(row_number() over () - 1 as integer) as unit_number,
    unit.unit_id,
    model.model_number,
    model.family_number,
    unit.family,
    unit.fuel,
    unit.installed_on,
    unit.enrolled_on,
    unit.left_on,
    unit.left_because,
    unit.van_id,
    unit.building_id,
    unit.loads_per_week,
    unit.duct_material,
    unit.termination
from stg_units as unit
left join fact_models as model on model.family = unit.family and model.fuel = unit.fuel
