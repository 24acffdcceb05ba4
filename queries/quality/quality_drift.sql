-- name: quality_drift
-- answers: Does the way jobs are written down change over the years?
-- grain: one row per half-year
-- inputs: stg_jobs, stg_lines
-- params: none
-- choice: Half-years by visit date; call-outs only.
-- trap: A change in habit looks like a change in parts: intervals do not see it.
-- source: common practice, no source
with half_years as (
    select
        job.job_id,
        make_date(year(job.visited_on), case when month(job.visited_on) <= 6 then 1 else 7 end, 1) as half_year
    from stg_jobs as job
    where job.kind = 'call_out'
)

select
    half.half_year,
    count(distinct half.job_id) as jobs,
    count(line.part) as lines,
    count(*) filter (where line.finding = 'untested') as untested,
    count(distinct half.job_id) filter (where line.finding = 'failed') as jobs_with_failure
from half_years as half
left join stg_lines as line on line.job_id = half.job_id
group by half.half_year
order by half.half_year
