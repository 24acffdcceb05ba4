-- name: fact_demand
-- answers: What did each job need from the van, and which failure brought it?
-- grain: one row per episode that asks something of a van (needs, failed: lists of parts, one entry
--    per position; empty where no fault was found)
-- inputs: stg_units, stg_parts, fact_episodes, fact_findings
-- params: none (variables as_of, as_loaded, families, fuels)
-- choice: The need is what was replaced in the whole episode, with what had failed and was kept; an
--    episode without either needs nothing and is finished by any van. A call-out always counts, a
--    maintenance visit only when it needed a part. The job is led by the failed part that another
--    failed part trips, else by the first failed part of the alphabet; by none where nothing failed.
-- trap: What was replaced on the first visit alone is what the van happened to carry.
-- source: methods page, "Stock"
-- adds: by unit
with fallback_vans as (
    select job.unit_id, arg_max(job.van_id, (job.visited_on, job.job_id)) as van_id
    from fact_episodes as job
    where job.van_id is not null
    group by job.unit_id
),

episodes as (
    select
        episode.episode_id,
        episode.unit_id,
        coalesce(episode.van_id, unit.van_id, fallback.van_id) as van_id,
        unit.family,
        unit.fuel,
        episode.opened_on,
        episode.kind
    from fact_episodes as episode
    inner join stg_units as unit on unit.unit_id = episode.unit_id
    left join fallback_vans as fallback on fallback.unit_id = episode.unit_id
    where episode.visit = 1 and episode.kind in ('call_out', 'maintenance')
),

sockets as (
    select
        finding.episode_id,
        finding.part,
        finding.position,
        bool_or(finding.failed) as failed
    from fact_findings as finding
    where finding.failed or finding.replaced
    group by finding.episode_id, finding.part, finding.position
),

ranked as (
    select
        socket.*,
        exists (
            select 1
            from sockets as other
            inner join stg_parts as tripper on tripper.part = other.part
            where other.episode_id = socket.episode_id
                and other.failed
                and tripper.trips = socket.part
        ) as tripped_by_another
    from sockets as socket
),

needs as (
    select
        socket.episode_id,
        list(socket.part order by socket.part, socket.position) as needs,
        coalesce(
            list(socket.part order by socket.part, socket.position) filter (where socket.failed), []
        ) as failed,
        first(socket.part order by socket.tripped_by_another desc, socket.part, socket.position)
            filter (where socket.failed) as lead,
        first(socket.position order by socket.tripped_by_another desc, socket.part, socket.position)
            filter (where socket.failed) as lead_position
    from ranked as socket
    group by socket.episode_id
)

select
    episode.episode_id,
    episode.unit_id,
    episode.van_id,
    episode.family,
    episode.fuel,
    episode.opened_on,
    episode.kind,
    coalesce(need.needs, []) as needs,
    coalesce(need.failed, []) as failed,
    coalesce(need.lead, '') as lead,
    coalesce(need.lead_position, 1) as lead_position
from episodes as episode
left join needs as need on need.episode_id = episode.episode_id
where episode.kind = 'call_out' or need.episode_id is not null
