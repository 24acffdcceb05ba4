-- name: lives_kept
-- answers: How many lives did each rule keep, move or drop?
-- grain: one row per part and rule
-- inputs: fact_lives
-- params: none
-- choice: Every life counts under exactly one rule.
-- trap: Dropped is not wrong: a life of unknown birth says nothing about age, but its unit still
--    counts in causes and pairs.
-- source: methods page, "Birth"
-- adds: sums lives, failures, unit_count; order part, rule
select
    part,
    case
        when birth = 'unknown' then 'dropped_birth_unknown'
        when exit_days = entry_days and exit_days > 0 then 'dropped_no_time_at_risk'
        when birth = 'assumed' then 'birth_assumed'
        else 'birth_known'
    end as rule,
    count(*) as lives,
    count(*) filter (where ending in ('failed', 'tripped')) as failures,
    count(distinct unit_id) as unit_count
from fact_lives
group by all
order by part, rule
