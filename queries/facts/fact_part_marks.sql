-- name: fact_part_marks
-- answers: By which bits does a part stand in the marks of an episode?
-- grain: one row per part that any line names
-- inputs: fact_places, stg_parts
-- params: none (variables as_of, as_loaded)
-- choice: A mark is a bit string with one bit per part and position, in the order of fact_places; that
--    of a part has the bits of all its positions. As text, to travel; cast it to meet other marks.
-- trap: Marks hold for one session; two marks meet where their and has a bit.
-- source: methods page, "Pairs"
-- adds: company
select
    place.part,
    cast(bit_or(cast(place.mark as bit)) as varchar) as mark,
    coalesce(any_value(word.heat_part), false) as heat_part,
    coalesce(len(any_value(word.silent_modes)) > 0, false) as fails_silently
from fact_places as place
left join stg_parts as word on word.part = place.part
group by place.part
