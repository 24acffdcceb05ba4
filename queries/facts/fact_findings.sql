-- name: fact_findings
-- answers: What was the outcome for each part on each visit, all its tests together?
-- grain: one row per visit, part and position
-- inputs: stg_lines, stg_parts, fact_episodes
-- params: none (variables as_of, as_loaded)
-- choice: The worst finding of a visit holds (failed before worn before working before untested):
--    a part that passed cold and failed hot has failed. Worn and replaced on a call-out is a
--    failure where the vocabulary says so (belt, roller), else a preventive replacement.
-- trap: A part swapped while working is not a failure; neither is one swapped untested.
-- source: methods page, "What ends a life"
-- adds: by unit
with lines as not materialized (
    select
        line.job_id,
        line.part,
        line.position,
        line.finding,
        line.action,
        case when line.finding = 'failed' then line.mode end as mode,
        case when line.finding = 'failed' then line.broke_at end as broke_at,
        case when line.action = 'replaced' then line.item_id end as item_id,
        case when line.action = 'replaced' then line.cost end as cost,
        coalesce(line.test = 'hot_cycle', false) as tested_hot,
        coalesce(line.test = 'cold_continuity', false) as tested_cold,
        coalesce(line.test = 'hot_cycle' and line.finding = 'working', false) as passed_hot,
        coalesce(line.test = 'cold_continuity' and line.finding = 'working', false) as passed_cold
    from stg_lines as line
),

-- visits that may name a part twice (a part shares its bit with every 64th other); on all other
-- visits every line is an outcome as it stands
repeated as (
    select line.job_id
    from lines as line
    group by line.job_id
    having bit_count(
        bit_or(cast(1 as ubigint) << cast(hash(line.part, line.position) % 64 as utinyint))
    ) < count(*)
),

outcomes as (
    select line.*
    from lines as line
    where not exists (select 1 from repeated as visit where visit.job_id = line.job_id)
    union all by name
    select
        line.job_id,
        line.part,
        line.position,
        arg_max(
            line.finding,
            case line.finding when 'failed' then 3 when 'worn' then 2 when 'working' then 1 else 0 end
        ) as finding,
        arg_max(
            line.action,
            case line.action when 'replaced' then 3 when 'reset' then 2 when 'cleaned' then 1 else 0 end
        ) as action,
        max(line.mode) as mode,
        max(line.broke_at) as broke_at,
        max(line.item_id) as item_id,
        max(line.cost) as cost,
        bool_or(line.tested_hot) as tested_hot,
        bool_or(line.tested_cold) as tested_cold,
        bool_or(line.passed_hot) as passed_hot,
        bool_or(line.passed_cold) as passed_cold
    from lines as line
    inner join repeated as visit on visit.job_id = line.job_id
    group by line.job_id, line.part, line.position
)

select
    episode.unit_id,
    outcome.job_id,
    episode.episode_id,
    episode.visited_on,
    episode.opened_on,
    episode.kind,
    episode.complaint,
    outcome.part,
    outcome.position,
    outcome.finding,
    outcome.action,
    outcome.mode,
    outcome.broke_at,
    outcome.item_id,
    outcome.cost,
    outcome.tested_hot,
    outcome.tested_cold,
    outcome.passed_hot,
    outcome.passed_cold,
    coalesce(part.heat_part, false) as heat_part,
    coalesce(list_contains(part.silent_modes, outcome.mode), false) as silent,
    (
        outcome.finding = 'failed'
        or (
            outcome.finding = 'worn' and outcome.action = 'replaced'
            and episode.kind = 'call_out' and coalesce(part.worn_is_failure, false)
        )
    ) as failed,
    outcome.action = 'replaced' as replaced
from outcomes as outcome
inner join fact_episodes as episode on episode.job_id = outcome.job_id
left join stg_parts as part on part.part = outcome.part
