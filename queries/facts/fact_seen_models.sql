-- name: fact_seen_models
-- answers: Which families of units are there, and heated by what?
-- grain: one row per family and fuel
-- inputs: stg_units
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: Units of this session, with or without a job.
-- trap: A family may be heated by more than one fuel.
-- source: methods page, first section
-- adds: distinct
select distinct unit.family, unit.fuel
from stg_units as unit
