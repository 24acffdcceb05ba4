-- name: fact_seen_modes
-- answers: Which modes does any line name?
-- grain: one row per mode
-- inputs: stg_lines
-- params: none (variables as_of, as_loaded)
-- choice: Modes of lines that found no failure are listed too.
-- trap: A line counts here even where the filters leave its unit out.
-- source: methods page, first section
-- adds: distinct
select distinct line.mode
from stg_lines as line
where line.mode is not null
