-- name: rules_readings
-- answers: How many working readings of a part lie within a range?
-- grain: one row
-- inputs: stg_lines, fact_asked_episodes
-- params: $part, $low, $high
-- choice: Readings of lines found working; open circuit is no number and does not count.
-- trap: Several readings of one unit are counted each.
-- source: methods page, "Rules of thumb"
-- adds: sums readings, jobs, inside
select
    count(*) as readings,
    count(distinct line.job_id) as jobs,
    count(*) filter (where line.reading_ohm >= $low and line.reading_ohm <= $high) as inside
from stg_lines as line
inner join fact_asked_episodes as job on job.job_id = line.job_id
where line.part = $part
    and line.finding = 'working'
    and line.reading_ohm is not null
