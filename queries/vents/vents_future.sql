-- name: vents_future
-- answers: On each stretch at risk, when would the next full cleaning come?
-- grain: one row per life, stretch of one neglect band and outlook on the next cleaning
-- inputs: fact_exposure, fact_units_use, fact_spans, stg_cleanings
-- params: $part, $followed, $ahead (days), $reaction (days)
-- choice: soon: within the days ahead; later: not; at_once: within the days of reaction, when it may
--    have been made because of the failure. The last days ahead before watching ends are "end"
--    whatever comes in them.
-- trap: What had not happened yet cannot have caused the failure: if it predicts, units that are
--    cleaned late differ in something else.
-- source: methods page, "Is it real?" (future exposure)
-- adds: rows; order unit_id
with spans as (
    select
        span.unit_id,
        span.span,
        cast(span.starts_on - interval 1 day as date) as opens_on,
        span.ends_on,
        greatest(
            cast(span.ends_on - to_days(cast($ahead as integer)) as date),
            cast(span.starts_on - interval 1 day as date)
        ) as closing_on
    from fact_spans as span
),

cleanings as (
    select distinct span.unit_id, span.span, cleaning.cleaned_on as next_on
    from spans as span
    inner join stg_cleanings as cleaning
        on cleaning.unit_id = span.unit_id
        and cleaning.scope = 'full_run'
        and cleaning.cleaned_on > span.opens_on
        and cleaning.cleaned_on <= span.ends_on
    union all
    select span.unit_id, span.span, date '9999-12-31'
    from spans as span
),

gaps as (
    select
        cleaning.unit_id,
        cleaning.span,
        cleaning.next_on,
        cast(cleaning.next_on - to_days(cast($ahead as integer) + 1) as date) as soon_on,
        cast(cleaning.next_on - to_days(cast($reaction as integer) + 1) as date) as at_once_on,
        coalesce(
            lag(cleaning.next_on) over (partition by cleaning.unit_id, cleaning.span order by cleaning.next_on),
            span.opens_on
        ) as after_on,
        span.closing_on
    from cleanings as cleaning
    inner join spans as span on span.unit_id = cleaning.unit_id and span.span = cleaning.span
),

outlooks as (
    select unit_id, span, 'later' as future, after_on as from_day, least(soon_on, closing_on) as to_day from gaps
    union all
    select unit_id, span, 'soon', greatest(after_on, soon_on), least(at_once_on, closing_on) from gaps
    union all
    select unit_id, span, 'at_once', greatest(after_on, at_once_on), least(next_on, closing_on) from gaps
    union all
    select unit_id, span, 'end', closing_on, ends_on from spans
),

pieces as (
    select
        exposure.cluster_id,
        exposure.unit_id,
        exposure.position,
        exposure.ordinal,
        exposure.family || ' ' || exposure.first_or_later as stratum,
        exposure.band,
        outlook.future,
        exposure.unit_age,
        coalesce(exposure.fuel, 'unknown') as fuel,
        coalesce(exposure.van_id, 'unknown') as van,
        greatest(exposure.start_days, outlook.from_day - exposure.born_on) as start_days,
        least(exposure.stop_days, outlook.to_day - exposure.born_on) as stop_days,
        exposure.failed and outlook.to_day - exposure.born_on >= exposure.stop_days as failed
    from fact_exposure as exposure
    inner join outlooks as outlook
        on outlook.unit_id = exposure.unit_id
        and outlook.span = exposure.span
        and outlook.from_day < outlook.to_day
        and outlook.from_day - exposure.born_on < exposure.stop_days
        and outlook.to_day - exposure.born_on > exposure.start_days
    where exposure.part = $part
        and list_contains($followed, exposure.followed_as)
)

select pieces.* exclude (position, ordinal), use.loads_bin
from pieces
inner join fact_units_use as use on use.unit_id = pieces.unit_id
order by pieces.unit_id, pieces.position, pieces.ordinal, pieces.start_days
