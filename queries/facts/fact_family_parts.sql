-- name: fact_family_parts
-- answers: Which parts has a family ever been seen to lose, or to have replaced?
-- grain: one row per family and part
-- inputs: fact_episode_parts, fact_asked_episodes, stg_parts
-- params: none
-- choice: Call-outs only, as in pairs_failed.
-- trap: A part that was only looked at is not here.
-- source: methods page, "Pairs"
-- adds: distinct
select distinct
    part.family,
    part.part,
    coalesce(len(word.silent_modes) > 0, false) as fails_silently
from fact_episode_parts as part
left join stg_parts as word on word.part = part.part
where part.kind = 'call_out'
    and (part.failed or part.replaced)
    and part.episode_id in (select asked.episode_id from fact_asked_episodes as asked)
