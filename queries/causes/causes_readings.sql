-- name: causes_readings
-- answers: What does a part measure when it works, and when it has failed?
-- grain: one row per part and finding
-- inputs: stg_lines, stg_jobs
-- params: none
-- choice: Open circuit is a state of its own, counted apart and not a number.
-- trap: A closed switch reads near zero; that it conducts cold does not mean it opens hot.
-- source: methods page, "Causes"
select
    line.part,
    line.finding,
    count(*) filter (where line.reading_ohm is not null or line.reading_open) as readings,
    count(*) filter (where line.reading_open) as open_circuit,
    quantile_cont(line.reading_ohm, 0.05) as ohm_p05,
    quantile_cont(line.reading_ohm, 0.5) as ohm_median,
    quantile_cont(line.reading_ohm, 0.95) as ohm_p95
from stg_lines as line
inner join stg_jobs as job on job.job_id = line.job_id
where line.finding in ('working', 'failed')
group by line.part, line.finding
having count(*) filter (where line.reading_ohm is not null or line.reading_open) > 0
order by line.part, line.finding
