-- name: quality_completeness
-- answers: Which optional columns are filled in, and how often?
-- grain: one row per table and column
-- inputs: stg_units, stg_jobs, stg_lines, stg_cleanings
-- params: none
-- choice: Columns that some answer rests on; a default counts as filled.
-- trap: A blank mode is a gap only where the part had failed; a blank test only where it was judged.
-- source: contract, section 1
select 'units' as "table", 'installed_on' as "column", count(*) as "rows", count(installed_on) as filled from stg_units
union all
select 'units', 'enrolled_on', count(*), count(enrolled_on) from stg_units
union all
select 'units', 'loads_per_week', count(*), count(loads_per_week) from stg_units
union all
select 'units', 'duct_length', count(*), count(duct_length_m) from stg_units
union all
select 'units', 'van_id', count(*), count(van_id) from stg_units
union all
select 'units', 'building_id', count(*), count(building_id) from stg_units
union all
select 'jobs', 'complaint', count(*), count(complaint) from stg_jobs where kind = 'call_out'
union all
select 'jobs', 'completed', count(*), count(completed) from stg_jobs
union all
select 'jobs', 'technician_id', count(*), count(technician_id) from stg_jobs
union all
select 'jobs', 'labour', count(*), count(labour_min) from stg_jobs
union all
select 'lines', 'mode', count(*), count(mode) from stg_lines where finding = 'failed'
union all
select 'lines', 'test', count(*), count(test) filter (where test <> 'none') from stg_lines where finding <> 'untested'
union all
select 'lines', 'reading', count(*), count(*) filter (where reading_ohm is not null or reading_celsius is not null or reading_open)
from stg_lines
where test in ('cold_continuity', 'hot_cycle')
union all
select 'lines', 'item_id', count(*), count(item_id) from stg_lines where action = 'replaced'
union all
select 'cleanings', 'job_id', count(*), count(job_id) from stg_cleanings where cleaned_by = 'company'
