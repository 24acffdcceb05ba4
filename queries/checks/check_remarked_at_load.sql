-- name: check_remarked_at_load
-- answers: Which rows were odd when they were loaded, and still are?
-- grain: one row per remark
-- inputs: raw.remarks, raw.units, raw.jobs, raw.lines, raw.cleanings, raw.catalogue
-- params: none (variables as_of, as_loaded)
-- choice: Look the rows up in their file and correct them there; a later load supersedes them.
-- trap: A remark on a row that was corrected since is not shown.
-- source: bounds.toml, each bound with its origin
with current_rows as (
    select 'units' as "table", record.batch, record.file, record.line
    from raw.units as record
    where record.superseded_in is null
    union all
    select 'jobs', record.batch, record.file, record.line
    from raw.jobs as record
    where record.superseded_in is null
    union all
    select 'lines', record.batch, record.file, record.line
    from raw.lines as record
    where record.superseded_in is null
    union all
    select 'cleanings', record.batch, record.file, record.line
    from raw.cleanings as record
    where record.superseded_in is null
    union all
    select 'catalogue', record.batch, record.file, record.line
    from raw.catalogue as record
    where record.superseded_in is null
)

select
    remark."check",
    remark.statement,
    'look the row up in its file and correct it there' as remedy,
    remark."table",
    remark.file || ', line ' || remark.line as record_id,
    'batch ' || remark.batch as detail
from raw.remarks as remark
where remark.batch <= coalesce(getvariable('as_loaded'), remark.batch)
    and exists (
        select 1
        from current_rows as current
        where current."table" = remark."table"
            and current.batch = remark.batch
            and current.file = remark.file
            and current.line = remark.line
    )
