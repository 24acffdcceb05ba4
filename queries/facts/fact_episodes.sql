-- name: fact_episodes
-- answers: Which visits belong to the same fault?
-- grain: one row per visit, with the episode it belongs to
-- inputs: stg_jobs, fact_units, fact_joined_visits
-- params: none (variables as_of, as_loaded)
-- choice: A visit that names the visit it continues, or follows an unfinished visit to the same
--    unit within 30 days, belongs to that episode: one complaint, one set of parts, one failure.
-- trap: Counting visits instead of episodes counts a fault twice whenever a part was not on the van.
-- source: methods page, "Episodes"
-- adds: by unit
select
    job.job_id,
    coalesce(joined.episode_id, job.job_id) as episode_id,
    job.unit_id,
    job.visited_on,
    coalesce(joined.opened_on, job.visited_on) as opened_on,
    coalesce(joined.closed_on, job.visited_on) as closed_on,
    coalesce(joined.visit, 1) as visit,
    case when joined.job_id is null then job.kind else joined.kind end as kind,
    case when joined.job_id is null then job.complaint else joined.complaint end as complaint,
    job.van_id,
    job.technician_id,
    job.completed,
    job.labour_min
from stg_jobs as job
left join fact_joined_visits as joined on joined.job_id = job.job_id
where job.unit_id in (select unit.unit_id from fact_units as unit)
