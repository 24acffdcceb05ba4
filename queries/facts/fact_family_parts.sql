-- name: fact_family_parts
-- answers: Which parts has a family ever been seen to lose, or to have replaced?
-- grain: one row per family and part
-- inputs: fact_marked_episodes, fact_part_marks, fact_units
-- params: none
-- choice: Call-outs only, as in pairs_failed.
-- trap: A part that was only looked at is not here.
-- source: methods page, "Pairs"
-- adds: distinct
with seen as (
    select distinct unit.family, episode.failed | episode.replaced as marks
    from fact_marked_episodes as episode
    inner join fact_units as unit on unit.unit_number = episode.unit_number
    where episode.called and episode.asked
)

select distinct seen.family, part.part, part.fails_silently
from seen
inner join fact_part_marks as part on bit_count(seen.marks & cast(part.mark as bit)) > 0
