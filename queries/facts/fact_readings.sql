-- name: fact_readings
-- answers: What was measured on each part, how often, at which age?
-- grain: one row per part, finding, reading and age of the part in days
-- inputs: stg_lines, fact_asked_episodes, fact_lives
-- params: none
-- choice: Age is that of the part in the unit on that day (its latest life that had begun); blank where
--    nobody knows. units counts each unit once for a part and finding.
-- trap: A reading without a number is an open circuit.
-- source: methods page, "Causes"
-- adds: sums readings, units
with readings as (
    select
        line.part,
        line.finding,
        line.reading_ohm,
        coalesce(line.reading_open, false) as reading_open,
        line.job_id,
        line.position,
        job.unit_id,
        job.visited_on
    from stg_lines as line
    inner join fact_asked_episodes as job on job.job_id = line.job_id
    where line.finding in ('working', 'failed')
        and (line.reading_ohm is not null or line.reading_open)
),

births as (
    select reading.job_id, reading.part, reading.position, max(life.born_on) as born_on
    from readings as reading
    inner join fact_lives as life
        on life.unit_id = reading.unit_id
        and life.part = reading.part
        and life.position = reading.position
        and life.born_on < reading.visited_on
    group by reading.job_id, reading.part, reading.position
),

aged as (
    select
        reading.*,
        reading.visited_on - birth.born_on as age_days,
        row_number() over (
            partition by reading.unit_id, reading.part, reading.finding
            order by reading.visited_on, reading.job_id, reading.position
        ) = 1 as first_of_unit
    from readings as reading
    left join births as birth
        on birth.job_id = reading.job_id
        and birth.part = reading.part
        and birth.position = reading.position
)

select
    part,
    finding,
    reading_ohm,
    reading_open,
    age_days,
    count(*) as readings,
    count(*) filter (where first_of_unit) as units
from aged
group by part, finding, reading_ohm, reading_open, age_days
