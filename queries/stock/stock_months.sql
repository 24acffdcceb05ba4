-- name: stock_months
-- answers: How many jobs did each month of the records bring?
-- grain: one row per whole month
-- inputs: fact_demand, stg_clock
-- params: none (variables as_of, as_loaded)
-- choice: A month counts when the records cover all of it; one without a job counts as none.
-- trap: The roster grows, so a month is compared with the year around it, not with the average.
-- source: methods page, "Stock"
-- adds: sums jobs; order first_on
with months as (
    select cast(month.first_on as date) as first_on
    from stg_clock as clock
    cross join lateral (
        select unnest(generate_series(
            date_trunc('month', clock.records_from), clock.as_of, interval 1 month
        )) as first_on
    ) as month
    where cast(month.first_on as date) >= clock.records_from
        and cast(month.first_on + interval 1 month - interval 1 day as date) <= clock.as_of
)

select
    month.first_on,
    month(month.first_on) as month,
    count(job.episode_id) as jobs
from months as month
left join fact_demand as job
    on job.opened_on >= month.first_on
    and job.opened_on < month.first_on + interval 1 month
group by month.first_on
order by month.first_on
