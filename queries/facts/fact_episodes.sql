-- name: fact_episodes
-- answers: Which visits belong to the same fault?
-- grain: one row per visit, with the episode it belongs to
-- inputs: stg_jobs, stg_units
-- params: none (variables as_of, as_loaded)
-- choice: A visit that names the visit it continues, or follows an unfinished visit to the same
--    unit within 30 days, belongs to that episode: one complaint, one set of parts, one failure.
-- trap: Counting visits instead of episodes counts a fault twice whenever a part was not on the van.
-- source: methods page, "Episodes"
with recursive jobs as (
    select
        job.*,
        lag(job.job_id) over unit_order as previous_job_id,
        lag(job.completed) over unit_order as previous_completed,
        lag(job.visited_on) over unit_order as previous_visited_on
    from stg_jobs as job
    inner join stg_units as unit on unit.unit_id = job.unit_id
    window unit_order as (partition by job.unit_id order by job.visited_on, job.job_id)
),

links as (
    select
        job.job_id,
        case
            when earlier.job_id is not null then earlier.job_id
            when job.previous_completed = false
                and job.visited_on <= job.previous_visited_on + interval 30 day
                then job.previous_job_id
        end as parent_id
    from jobs as job
    left join jobs as earlier
        on earlier.job_id = job.continues
        and earlier.unit_id = job.unit_id
        and (earlier.visited_on, earlier.job_id) < (job.visited_on, job.job_id)
),

chains as (
    select link.job_id, link.job_id as episode_id
    from links as link
    where link.parent_id is null
    union all
    select link.job_id, chain.episode_id
    from links as link
    inner join chains as chain on chain.job_id = link.parent_id
)

select
    job.job_id,
    chain.episode_id,
    job.unit_id,
    job.visited_on,
    min(job.visited_on) over episode as opened_on,
    max(job.visited_on) over episode as closed_on,
    row_number() over (partition by chain.episode_id order by job.visited_on, job.job_id) as visit,
    first(job.kind) over (partition by chain.episode_id order by job.visited_on, job.job_id) as kind,
    first(job.complaint) over (partition by chain.episode_id order by job.visited_on, job.job_id) as complaint,
    job.van_id,
    job.technician_id,
    job.completed,
    job.labour_min
from jobs as job
inner join chains as chain on chain.job_id = job.job_id
window episode as (partition by chain.episode_id)
