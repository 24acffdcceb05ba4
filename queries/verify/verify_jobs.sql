-- name: verify_jobs
-- answers: Which visits do the raw rows name?
-- grain: one row per row of raw.jobs that is in force
-- inputs: raw.jobs
-- params: $below, $as_of; variable as_loaded
-- choice: Nothing of staging or facts is read.
-- trap: Visits are not episodes: a second visit for the same fault is here too.
-- source: contract, section 1
select
    record.job_id,
    record.unit_id,
    record.visited_on,
    record.kind,
    record.complaint,
    record.van_id,
    record.technician_id,
    record.completed,
    record.continues,
    record.labour_min
from raw.jobs as record
where record.batch <= coalesce(getvariable('as_loaded'), record.batch)
    and (record.superseded_in is null or record.superseded_in > coalesce(getvariable('as_loaded'), 2147483647))
    and record.visited_on <= $as_of
    and md5(record.unit_id) < $below
