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
    select job.*
    from stg_jobs as job
    where job.unit_id in (select unit.unit_id from stg_units as unit)
),

-- only what an unfinished visit leaves behind has to be put in order
followed as (
    select
        job.job_id,
        job.visited_on,
        lag(job.job_id) over unit_order as previous_job_id,
        lag(job.completed) over unit_order as previous_completed,
        lag(job.visited_on) over unit_order as previous_visited_on
    from jobs as job
    where job.unit_id in (select other.unit_id from jobs as other where not other.completed)
    window unit_order as (partition by job.unit_id order by job.visited_on, job.job_id)
),

stated as (
    select job.job_id, earlier.job_id as parent_id
    from jobs as job
    inner join jobs as earlier
        on earlier.job_id = job.continues
        and earlier.unit_id = job.unit_id
        and (earlier.visited_on, earlier.job_id) < (job.visited_on, job.job_id)
    where job.continues is not null
),

links as (
    select stated.job_id, stated.parent_id from stated
    union all
    select job.job_id, job.previous_job_id
    from followed as job
    where job.previous_completed = false
        and job.visited_on <= job.previous_visited_on + interval 30 day
        and job.job_id not in (select stated.job_id from stated)
),

chains as (
    select link.job_id, link.parent_id as episode_id
    from links as link
    where link.parent_id not in (select other.job_id from links as other)
    union all
    select link.job_id, chain.episode_id
    from links as link
    inner join chains as chain on chain.job_id = link.parent_id
),

-- visits of episodes with more than one; every other visit is an episode of its own
joined as (
    select chain.job_id, chain.episode_id from chains as chain
    union all
    select distinct chain.episode_id, chain.episode_id from chains as chain
),

ordered as (
    select
        job.job_id,
        visit.episode_id,
        min(job.visited_on) over episode as opened_on,
        max(job.visited_on) over episode as closed_on,
        row_number() over visits as visit,
        first(job.kind) over visits as kind,
        first(job.complaint) over visits as complaint
    from jobs as job
    inner join joined as visit on visit.job_id = job.job_id
    window
        episode as (partition by visit.episode_id),
        visits as (partition by visit.episode_id order by job.visited_on, job.job_id)
)

select
    job.job_id,
    coalesce(visit.episode_id, job.job_id) as episode_id,
    job.unit_id,
    job.visited_on,
    coalesce(visit.opened_on, job.visited_on) as opened_on,
    coalesce(visit.closed_on, job.visited_on) as closed_on,
    coalesce(visit.visit, 1) as visit,
    case when visit.job_id is null then job.kind else visit.kind end as kind,
    case when visit.job_id is null then job.complaint else visit.complaint end as complaint,
    job.van_id,
    job.technician_id,
    job.completed,
    job.labour_min
from jobs as job
left join ordered as visit on visit.job_id = job.job_id
