-- name: check_repeated_keys
-- answers: Which keys stand for more than one row?
-- grain: one row per key
-- inputs: stg_units, stg_periods, stg_jobs, stg_lines, stg_cleanings
-- params: none (variables as_of, as_loaded)
-- choice: Report it: a load must never leave two rows of one key.
-- trap: A line's test may be blank; blank counts as a value of the key.
-- source: contract, section 1
with repeated_keys as (
    select 'units' as "table", unit.unit_id as record_id, count(*) as row_count
    from stg_units as unit
    group by unit.unit_id
    union all
    select 'periods', period.unit_id, count(*)
    from stg_periods as period
    group by period.unit_id, period.enrolled_on
    union all
    select 'jobs', job.job_id, count(*)
    from stg_jobs as job
    group by job.job_id
    union all
    select 'lines', line.job_id, count(*)
    from stg_lines as line
    group by line.job_id, line.part, line.position, line.test
    union all
    select 'cleanings', cleaning.unit_id, count(*)
    from stg_cleanings as cleaning
    group by cleaning.unit_id, cleaning.cleaned_on, cleaning.scope
)

select
    'check_repeated_keys' as "check",
    'a key stands for more than one row' as statement,
    'report it: a load must never leave two rows of one key' as remedy,
    repeated."table",
    repeated.record_id,
    repeated.row_count || ' rows' as detail
from repeated_keys as repeated
where repeated.row_count > 1
