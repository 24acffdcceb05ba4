-- name: check_cleaning_job_unknown
-- answers: Which cleanings name a visit that is not there, or to another unit?
-- grain: one row per cleaning
-- inputs: stg_cleanings, stg_jobs
-- params: none (variables as_of, as_loaded)
-- choice: Correct job_id of the cleaning, or leave it blank.
-- trap: The cleaning counts all the same; only the link is broken.
-- source: contract, section 1
select
    'check_cleaning_job_unknown' as "check",
    case
        when job.job_id is null then 'a cleaning names a visit that is not in the warehouse'
        else 'a cleaning names a visit to another unit'
    end as statement,
    'correct job_id of the cleaning, or leave it blank' as remedy,
    'cleanings' as "table",
    cleaning.unit_id as record_id,
    'cleaned on ' || cleaning.cleaned_on as detail
from stg_cleanings as cleaning
left join stg_jobs as job on job.job_id = cleaning.job_id
where cleaning.job_id is not null
    and (job.job_id is null or job.unit_id <> cleaning.unit_id)
