-- name: check_reading_against_finding
-- answers: Which heating parts were called working although the meter showed an open circuit?
-- grain: one row per part line
-- inputs: stg_lines, stg_parts (the vocabulary)
-- params: none (variables as_of, as_loaded)
-- choice: Look the job up: an open heating part heats nothing; a switch may have been open while hot.
-- trap: A hot-cycle reading of a switch may rightly be open, so only cold and untold tests count.
-- source: common practice, no source
select
    'check_reading_against_finding' as "check",
    'a ' || line.part || ' was found working although it read open' as statement,
    'look the job up and correct finding or reading' as remedy,
    'lines' as "table",
    line.job_id as record_id,
    line.part || ', position ' || line.position as detail
from stg_lines as line
inner join stg_parts as known on known.part = line.part
where known.heat_part
    and line.reading_open
    and line.finding = 'working'
    and line.test is distinct from 'hot_cycle'
