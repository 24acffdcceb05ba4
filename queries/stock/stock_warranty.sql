-- name: stock_warranty
-- answers: How many parts failed so soon after they were fitted that they go back under warranty?
-- grain: one row per part that jobs needed
-- inputs: fact_lives
-- params: $since (first day looked at), $days (of warranty)
-- choice: A life of known birth that ended failed or tripped within the warranty of its fitting; the
--    part that came with the appliance is the maker's, not ours.
-- trap: The new part is needed all the same; only its price comes back.
-- source: contract, section 2 (warranty)
-- adds: sums returns, jobs; order part
with ended as (
    select
        life.part,
        life.exits_on - life.born_on <= $days and life.first_or_later = 'later' as returned
    from fact_lives as life
    where life.ending in ('failed', 'tripped')
        and life.exits_on >= $since
)

select
    ended.part,
    count(*) filter (where ended.returned) as returns,
    count(*) as jobs
from ended
group by ended.part
order by ended.part
