-- name: lives_replaced
-- answers: Of parts swapped while working or untested, when, and until when was their unit watched?
-- grain: one row per ending, age at the swap and age at the end of watching
-- inputs: fact_lives, fact_spans
-- params: $part, $births (list of known, assumed), $followed (list of contract, call_out),
--    $bracket (stated_end or last_contact), $clock (days or loads)
-- choice: Had the part gone on working, it would have been watched as long as its unit was.
-- trap: The next part's life is left as it is; the rows serve a bound, not an estimate.
-- source: methods page, "What ends a life"
-- adds: sums lives; order ending, exit_age, until_age
with lives as (
    select
        life.ending,
        case when $bracket = 'last_contact' then life.exit_by_contact_days else life.exit_days end
            * clock.per_day as exit_age,
        (case when $bracket = 'last_contact' then span.ends_by_contact_on else span.ends_on end - life.born_on)
            * clock.per_day as until_age,
        life.entry_days * clock.per_day as entry_age
    from fact_lives as life
    inner join fact_spans as span on span.unit_id = life.unit_id and span.span = life.span
    cross join lateral (
        select case $clock
            when 'loads' then life.loads_per_week / 7
            when 'days' then 1.0
            else error('the clock is days or loads')
        end as per_day
    ) as clock
    where life.part = $part
        and life.ending in ('replaced_working', 'replaced_unknown')
        and clock.per_day is not null
        and list_contains($births, life.birth)
        and list_contains($followed, life.followed_as)
),

whole as (
    select
        ending,
        cast(round(entry_age) as bigint) as entry_age,
        cast(round(exit_age) as bigint) as exit_age,
        greatest(cast(round(exit_age) as bigint), cast(round(until_age) as bigint)) as until_age
    from lives
)

select ending, exit_age, until_age, count(*) as lives
from whole
where exit_age > entry_age or (exit_age = 0 and entry_age = 0)
group by ending, exit_age, until_age
order by ending, exit_age, until_age
