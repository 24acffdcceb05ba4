-- name: check_continues_unknown
-- answers: Which visits continue a visit that cannot be their first?
-- grain: one row per visit
-- inputs: stg_jobs
-- params: none (variables as_of, as_loaded)
-- choice: Correct continues: it names the earlier visit to the same unit for the same fault.
-- trap: Both visits are one episode; a wrong link hides an episode or joins two.
-- source: contract, section 1
with links as (
    select
        job.job_id,
        job.unit_id,
        job.visited_on,
        earlier.job_id as earlier_job_id,
        earlier.unit_id as earlier_unit_id,
        earlier.visited_on as earlier_visited_on
    from stg_jobs as job
    left join stg_jobs as earlier on earlier.job_id = job.continues
    where job.continues is not null
),

judged_links as (
    select
        *,
        case
            when earlier_job_id is null then 'a visit continues one that is not in the warehouse'
            when earlier_job_id = job_id then 'a visit continues itself'
            when earlier_unit_id <> unit_id then 'a visit continues one to another unit'
            when earlier_visited_on > visited_on then 'a visit continues a later one'
        end as fault
    from links
)

select
    'check_continues_unknown' as "check",
    link.fault as statement,
    'correct continues: it names the earlier visit to the same unit' as remedy,
    'jobs' as "table",
    link.job_id as record_id,
    'visited on ' || link.visited_on as detail
from judged_links as link
where link.fault is not null
