-- name: fact_joined_visits
-- answers: Which visits belong to an episode of more than one visit?
-- grain: one row per visit of such an episode
-- inputs: fact_visits, stg_jobs
-- params: none (variables as_of, as_loaded)
-- choice: A visit that names the visit it continues, or follows an unfinished visit to the same
--    unit within 30 days, belongs to that episode. Kind and complaint are those of the first visit.
-- trap: Every visit that is not here is an episode of its own.
-- source: methods page, "Episodes"
-- adds: by unit
with recursive visits as (
    select
        visit.rowid as visit_number,
        visit.job_id,
        visit.unit_number,
        visit.visited_on,
        visit.completed,
        visit.continues
    from fact_visits as visit
),

-- only where a visit follows an unfinished one within 30 days must visits be put in order
suspects as (
    select distinct visit.unit_number
    from visits as unfinished
    inner join visits as visit
        on visit.unit_number = unfinished.unit_number
        and visit.visit_number <> unfinished.visit_number
        and visit.visited_on >= unfinished.visited_on
        and visit.visited_on <= unfinished.visited_on + 30
    where not unfinished.completed
),

followed as (
    select
        visit.visit_number,
        visit.visited_on,
        lag(visit.visit_number) over unit_order as previous_number,
        lag(visit.completed) over unit_order as previous_completed,
        lag(visit.visited_on) over unit_order as previous_visited_on
    from visits as visit
    where visit.unit_number in (select suspect.unit_number from suspects as suspect)
    window unit_order as (partition by visit.unit_number order by visit.visited_on, visit.job_id)
),

stated as (
    select visit.visit_number, earlier.visit_number as parent_number
    from visits as visit
    inner join visits as earlier
        on earlier.job_id = visit.continues
        and earlier.unit_number = visit.unit_number
        and (earlier.visited_on, earlier.job_id) < (visit.visited_on, visit.job_id)
    where visit.continues is not null
),

links as (
    select stated.visit_number, stated.parent_number from stated
    union all
    select visit.visit_number, visit.previous_number
    from followed as visit
    where visit.previous_completed = false
        and visit.visited_on <= visit.previous_visited_on + 30
        and visit.visit_number not in (select stated.visit_number from stated)
),

chains as (
    select link.visit_number, link.parent_number as first_number
    from links as link
    where link.parent_number not in (select other.visit_number from links as other)
    union all
    select link.visit_number, chain.first_number
    from links as link
    inner join chains as chain on chain.visit_number = link.parent_number
),

joined as (
    select chain.visit_number, chain.first_number from chains as chain
    union all
    select distinct chain.first_number, chain.first_number from chains as chain
),

-- few visits are left: take what they say before joining them
named as (
    select visit.visit_number, visit.job_id, visit.visited_on
    from visits as visit
    where visit.visit_number in (select joined.visit_number from joined)
),

described as (
    select job.job_id, job.kind, job.complaint
    from stg_jobs as job
    where job.job_id in (select named.job_id from named)
)

select
    joined.visit_number,
    named.job_id,
    first(named.job_id) over visits as episode_id,
    min(named.visited_on) over episode as opened_on,
    max(named.visited_on) over episode as closed_on,
    row_number() over visits as visit,
    first(job.kind) over visits as kind,
    first(job.complaint) over visits as complaint
from joined
inner join named on named.visit_number = joined.visit_number
inner join described as job on job.job_id = named.job_id
window
    episode as (partition by joined.first_number),
    visits as (partition by joined.first_number order by named.visited_on, named.job_id)
