-- name: check_before_installation
-- answers: Which visits and cleanings are dated before their unit was installed?
-- grain: one row per visit or cleaning
-- inputs: stg_units, stg_jobs, stg_cleanings
-- params: none (variables as_of, as_loaded)
-- choice: Correct the date, or installed_on of the unit; blank installed_on if it is not known.
-- trap: A load refuses such rows; rows here mean that installed_on was corrected afterwards.
-- source: contract, section 1
with dated as (
    select 'jobs' as "table", job.job_id as record_id, job.unit_id, job.visited_on as dated_on
    from stg_jobs as job
    union all
    select 'cleanings', cleaning.unit_id, cleaning.unit_id, cleaning.cleaned_on
    from stg_cleanings as cleaning
)

select
    'check_before_installation' as "check",
    'a visit or cleaning is dated before its unit was installed' as statement,
    'correct the date, or installed_on of the unit' as remedy,
    dated."table",
    dated.record_id,
    'on ' || dated.dated_on || ', installed on ' || unit.installed_on as detail
from dated
inner join stg_units as unit on unit.unit_id = dated.unit_id
where dated.dated_on < unit.installed_on
