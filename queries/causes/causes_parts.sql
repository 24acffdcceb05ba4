-- name: causes_parts
-- answers: Behind each complaint, which part had failed, whatever its mode?
-- grain: one row per complaint and part
-- inputs: fact_asked_episodes, fact_episode_parts
-- params: $complaint (or null for all)
-- choice: Call-out episodes; no fault found is a row of its own.
-- trap: Shares of one complaint add up to more than 1 where parts fail together.
-- source: methods page, "Causes"
-- adds: sums episodes, unit_count; order complaint, episodes desc, part
select
    coalesce(episode.complaint, 'not_recorded') as complaint,
    coalesce(failed.part, 'no_fault_found') as part,
    count(distinct episode.episode_id) as episodes,
    count(distinct episode.unit_id) as unit_count
from fact_asked_episodes as episode
left join fact_episode_parts as failed
    on failed.episode_id = episode.episode_id and failed.failed
where episode.visit = 1
    and episode.kind = 'call_out'
    and ($complaint is null or episode.complaint = $complaint)
group by all
order by complaint, episodes desc, part
