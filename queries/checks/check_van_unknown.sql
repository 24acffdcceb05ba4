-- name: check_van_unknown
-- answers: Which vans carry items but are neither listed nor ever came?
-- grain: one row per van
-- inputs: stg_carried, stg_vans, stg_jobs, stg_units
-- params: none (variables as_of, as_loaded)
-- choice: Add the van to the vans table, or correct van_id.
-- trap: A van need not be listed: one that came on a visit is known.
-- source: contract, section 1
with known_vans as (
    select van.van_id from stg_vans as van
    union
    select job.van_id from stg_jobs as job
    union
    select unit.van_id from stg_units as unit
)

select
    'check_van_unknown' as "check",
    'a van carries items, but is neither listed nor ever came' as statement,
    'add the van to the vans table, or correct van_id' as remedy,
    'carried' as "table",
    load.van_id as record_id,
    count(*) || ' items' as detail
from stg_carried as load
left join known_vans as van on van.van_id = load.van_id
where van.van_id is null
group by load.van_id
