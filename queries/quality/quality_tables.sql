-- name: quality_tables
-- answers: How many rows does each table hold as of this date?
-- grain: one row per table
-- inputs: stg_units, stg_periods, stg_jobs, stg_lines, stg_cleanings, stg_catalogue, stg_vans, stg_carried
-- params: none
-- choice: Current versions only, dated on or before the as-of date.
-- trap: Lines have no date of their own and are all counted.
-- source: contract, section 5
select 'units' as "table", count(*) as "rows" from stg_units
union all
select 'periods', count(*) from stg_periods
union all
select 'jobs', count(*) from stg_jobs
union all
select 'lines', count(*) from stg_lines
union all
select 'cleanings', count(*) from stg_cleanings
union all
select 'catalogue', count(*) from stg_catalogue
union all
select 'vans', count(*) from stg_vans
union all
select 'carried', count(*) from stg_carried
