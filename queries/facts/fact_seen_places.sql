-- name: fact_seen_places
-- answers: Which parts, in which positions, does any line name?
-- grain: one row per part and position
-- inputs: stg_lines
-- params: none (variables as_of, as_loaded)
-- choice: As the lines have it, without position 1 of parts that are only named in others.
-- trap: A line counts here even where the filters leave its unit out.
-- source: methods page, first section
-- adds: distinct
select distinct line.part, line.position
from stg_lines as line
