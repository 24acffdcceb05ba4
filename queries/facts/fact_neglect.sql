-- name: fact_neglect
-- answers: On which days was the last full vent cleaning how long ago?
-- grain: one row per unit, span of observation and neglect band (days from_day < day <= to_day)
-- inputs: fact_spans, stg_cleanings, stg_jobs, stg_units
-- params: none (variables as_of, as_loaded, since, neglect_lag_days, neglect_without_symptoms,
--    neglect_company_only)
-- choice: Only full_run resets the clock; a cleaning on day d acts from d + 1, whatever else
--    happened on d. Before the first recorded cleaning neglect is at least the time since
--    observation began: unknown until that reaches 730 days, over_24 from then on. Bands: under
--    365 days, 365 to 729, 730 and more.
-- trap: Installation is not a cleaning unless vent_new says so and the unit was watched from that
--    day; a cleaning before the unit was watched proves nothing about what came after it.
-- source: methods page, "Neglect"
with settings as (
    select
        coalesce(cast(getvariable('neglect_lag_days') as integer), 0) as lag_days,
        coalesce(cast(getvariable('neglect_without_symptoms') as boolean), false) as without_symptoms,
        coalesce(cast(getvariable('neglect_company_only') as boolean), false) as company_only
),

cleanings as (
    select distinct cleaning.unit_id, cleaning.cleaned_on
    from stg_cleanings as cleaning
    left join stg_jobs as job on job.job_id = cleaning.job_id
    cross join settings
    where cleaning.scope = 'full_run'
        and not (settings.company_only and cleaning.cleaned_by = 'owner')
        and not (
            settings.without_symptoms
            and coalesce(job.complaint in ('slow_dry', 'overheats'), false)
        )
),

anchors as (
    select span.unit_id, span.span, cleaning.cleaned_on as anchor_on, true as is_cleaning
    from fact_spans as span
    inner join cleanings as cleaning
        on cleaning.unit_id = span.unit_id
        and cleaning.cleaned_on between span.starts_on and span.ends_on
    union
    select span.unit_id, span.span, unit.installed_on, true
    from fact_spans as span
    inner join stg_units as unit on unit.unit_id = span.unit_id
    where unit.vent_new and unit.installed_on = span.starts_on
),

all_anchors as (
    select anchor.unit_id, anchor.span, anchor.anchor_on, anchor.is_cleaning from anchors as anchor
    union all
    select span.unit_id, span.span, cast(span.starts_on - interval 1 day as date), false
    from fact_spans as span
),

stretches as (
    select
        anchor.unit_id,
        anchor.span,
        anchor.anchor_on,
        anchor.is_cleaning,
        lead(anchor.anchor_on) over (
            partition by anchor.unit_id, anchor.span order by anchor.anchor_on, anchor.is_cleaning
        ) as next_anchor_on
    from all_anchors as anchor
),

bounded as (
    select
        stretch.unit_id,
        stretch.span,
        stretch.anchor_on,
        stretch.is_cleaning,
        case when stretch.is_cleaning
            then cast(stretch.anchor_on + to_days(settings.lag_days) as date)
            else stretch.anchor_on
        end as from_day,
        least(
            cast(coalesce(stretch.next_anchor_on + to_days(settings.lag_days), span.ends_on) as date),
            span.ends_on
        ) as to_day
    from stretches as stretch
    inner join fact_spans as span on span.unit_id = stretch.unit_id and span.span = stretch.span
    cross join settings
),

banded as (
    select unit_id, span, 'under_12' as band, from_day, least(to_day, cast(anchor_on + interval 364 day as date)) as to_day
    from bounded
    where is_cleaning
    union all
    select
        unit_id, span, '12_to_24',
        greatest(from_day, cast(anchor_on + interval 364 day as date)),
        least(to_day, cast(anchor_on + interval 729 day as date))
    from bounded
    where is_cleaning
    union all
    select unit_id, span, 'over_24', greatest(from_day, cast(anchor_on + interval 729 day as date)), to_day
    from bounded
    where is_cleaning
    union all
    select unit_id, span, 'unknown', from_day, least(to_day, cast(anchor_on + interval 730 day as date))
    from bounded
    where not is_cleaning
    union all
    select unit_id, span, 'over_24', greatest(from_day, cast(anchor_on + interval 730 day as date)), to_day
    from bounded
    where not is_cleaning
)

select unit_id, span, band, from_day, to_day
from banded
where from_day < to_day
