-- name: fact_use_counts
-- answers: How many units dry how many loads a week?
-- grain: one row per number of loads a week, as it is recorded; blank: not recorded
-- inputs: stg_units
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: Units with and without a job.
-- trap: The counts add up to all units of this session only with the blank row.
-- source: methods page, first section
-- adds: sums units
select unit.loads_per_week, count(*) as units
from stg_units as unit
group by unit.loads_per_week
