-- name: rules_filled
-- answers: Which of the columns that rules of thumb need are filled, and how often?
-- grain: one row
-- inputs: stg_jobs, stg_lines, stg_units, stg_cleanings
-- params: none
-- choice: All records of this session, whatever the filters leave: a column is missing or it is not.
-- trap: Filled is not filled well; see quality.
-- source: contract, section 1
-- adds: sums jobs, complaint, lines, mode, reading, replaced, item_id, enrolled_on, installed_on,
--    duct_length, fuel, van_id, duct_material, termination, full_run_cleanings
with jobs as (
    select count(*) as jobs, count(complaint) as complaint from stg_jobs
),

lines as (
    select
        count(*) as lines,
        count(mode) as mode,
        count(reading_ohm) as reading,
        count(*) filter (where action = 'replaced') as replaced,
        count(item_id) as item_id
    from stg_lines
),

units as (
    select
        count(enrolled_on) as enrolled_on,
        count(installed_on) as installed_on,
        count(duct_length_m) as duct_length,
        count(fuel) as fuel,
        count(van_id) as van_id,
        count(duct_material) as duct_material,
        count(termination) as termination
    from stg_units
),

cleanings as (
    select count(*) filter (where scope = 'full_run') as full_run_cleanings from stg_cleanings
)

select jobs.*, lines.*, units.*, cleanings.*
from jobs
cross join lines
cross join units
cross join cleanings
