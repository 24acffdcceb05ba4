-- name: policy_hot_tests
-- answers: When the first part was replaced and its partner tested hot, was the partner bad?
-- grain: one row per call-out episode in which the first part was replaced and the partner tested hot
-- inputs: fact_episode_parts, stg_units
-- params: $first, $second
-- choice: Bad is any failed finding of that episode, whatever test showed it.
-- trap: Cold tests are left out: they pass a switch that is stuck closed.
-- source: methods page, "Policy"
-- adds: rows; order episode_id
select
    one.episode_id,
    coalesce(unit.building_id, one.unit_id) as cluster_id,
    other.failed as bad
from fact_episode_parts as one
inner join fact_episode_parts as other
    on other.episode_id = one.episode_id and other.part = $second
inner join stg_units as unit on unit.unit_id = one.unit_id
where one.part = $first
    and one.replaced
    and one.kind = 'call_out'
    and other.tested_hot
order by one.episode_id
