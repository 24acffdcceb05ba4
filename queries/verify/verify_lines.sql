-- name: verify_lines
-- answers: What do the raw rows say was found and done, part by part?
-- grain: one row per row of raw.lines that is in force, of a unit looked at
-- inputs: raw.lines, raw.jobs
-- params: $below; variable as_loaded
-- choice: Nothing of staging or facts is read.
-- trap: Lines of visits after the as-of date are here too: they have no date of their own.
-- source: contract, section 1
select
    record.job_id,
    record.part,
    record.position,
    record.finding,
    record.mode,
    record.test,
    record.action,
    record.broke_at,
    record.item_id,
    record.cost
from raw.lines as record
where record.batch <= coalesce(getvariable('as_loaded'), record.batch)
    and (record.superseded_in is null or record.superseded_in > coalesce(getvariable('as_loaded'), 2147483647))
    and record.job_id in (
        select visit.job_id
        from raw.jobs as visit
        where visit.batch <= coalesce(getvariable('as_loaded'), visit.batch)
            and md5(visit.unit_id) < $below
    )
