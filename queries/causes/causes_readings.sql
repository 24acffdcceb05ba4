-- name: causes_readings
-- answers: What does a part measure when it works and when it has failed, and does it drift?
-- grain: one row per part and finding
-- inputs: fact_readings
-- params: none
-- choice: Open circuit is a state of its own, counted apart and not a number. Age is that of the
--    part in the unit on that day (its first life that had begun and not ended); ages that nobody
--    knows stay out of the drift.
-- trap: A closed switch reads near zero; that it conducts cold does not mean it opens hot.
-- source: methods page, "Causes"
-- adds: company
with repeated as (
    select
        cell.part,
        cell.finding,
        cell.reading_ohm,
        cell.reading_open,
        cell.age_days / 365.25 as age_years,
        case when copy.number = 0 then cell.units else 0 end as units
    from fact_readings as cell
    cross join lateral (select unnest(range(cell.readings)) as number) as copy
)

select
    part,
    finding,
    count(*) as readings,
    cast(sum(units) as bigint) as unit_count,
    count(*) filter (where reading_open) as open_circuit,
    quantile_cont(reading_ohm, 0.05) as ohm_p05,
    quantile_cont(reading_ohm, 0.5) as ohm_median,
    quantile_cont(reading_ohm, 0.95) as ohm_p95,
    regr_count(reading_ohm, age_years) as drift_readings,
    regr_slope(reading_ohm, age_years order by age_years, reading_ohm) as drift_ohm_per_year,
    regr_sxx(reading_ohm, age_years order by age_years, reading_ohm) as drift_sxx,
    regr_syy(reading_ohm, age_years order by age_years, reading_ohm) as drift_syy
from repeated
group by part, finding
order by part, finding
