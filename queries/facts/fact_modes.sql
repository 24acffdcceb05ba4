-- name: fact_modes
-- answers: In which modes did parts fail?
-- grain: one row per mode, numbered in the order of the words
-- inputs: fact_seen_modes
-- params: none (variables as_of, as_loaded)
-- choice: The larger number is the later word, so that a maximum is the same for both.
-- trap: Modes of lines that found no failure are numbered too, and used nowhere.
-- source: methods page, first section
-- adds: company
select
    cast(row_number() over (order by line.mode) as integer) as mode_number,
    line.mode
from fact_seen_modes as line
