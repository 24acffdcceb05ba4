-- name: causes_readings
-- answers: What does a part measure when it works and when it has failed, and does it drift?
-- grain: one row per part and finding
-- inputs: stg_lines, fact_asked_episodes, fact_lives
-- params: none
-- choice: Open circuit is a state of its own, counted apart and not a number. Age is that of the
--    part in the unit on that day (its first life that had begun and not ended); ages that nobody
--    knows stay out of the drift.
-- trap: A closed switch reads near zero; that it conducts cold does not mean it opens hot.
-- source: methods page, "Causes"
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
        (reading.visited_on - birth.born_on) / 365.25 as age_years
    from readings as reading
    left join births as birth
        on birth.job_id = reading.job_id
        and birth.part = reading.part
        and birth.position = reading.position
)

select
    part,
    finding,
    count(*) as readings,
    count(distinct unit_id) as unit_count,
    count(*) filter (where reading_open) as open_circuit,
    quantile_cont(reading_ohm, 0.05) as ohm_p05,
    quantile_cont(reading_ohm, 0.5) as ohm_median,
    quantile_cont(reading_ohm, 0.95) as ohm_p95,
    regr_count(reading_ohm, age_years) as drift_readings,
    regr_slope(reading_ohm, age_years) as drift_ohm_per_year,
    regr_sxx(reading_ohm, age_years) as drift_sxx,
    regr_syy(reading_ohm, age_years) as drift_syy
from aged
group by part, finding
order by part, finding
