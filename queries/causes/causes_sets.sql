-- name: causes_sets
-- answers: Which parts are found failed together behind a complaint?
-- grain: one row per complaint and set of failed parts
-- inputs: fact_asked_episodes, fact_episode_parts
-- params: $complaint (or null for all)
-- choice: Call-out episodes; the empty set is no fault found.
-- trap: A set is what failed, not what was replaced.
-- source: methods page, "Causes"
-- adds: sums episodes, unit_count; order complaint, episodes desc, parts
with sets as (
    select
        episode.episode_id,
        any_value(episode.unit_id) as unit_id,
        coalesce(any_value(episode.complaint), 'not_recorded') as complaint,
        coalesce(string_agg(failed.part, ' + ' order by failed.part), 'no_fault_found') as parts
    from fact_asked_episodes as episode
    left join fact_episode_parts as failed
        on failed.episode_id = episode.episode_id and failed.failed
    where episode.visit = 1
        and episode.kind = 'call_out'
        and ($complaint is null or episode.complaint = $complaint)
    group by episode.episode_id
)

select complaint, parts, count(*) as episodes, count(distinct unit_id) as unit_count
from sets
group by complaint, parts
order by complaint, episodes desc, parts
