-- name: lives_hidden
-- answers: Between which looks may a part that fails unseen have failed, and how old was its partner?
-- grain: one row per stretch: a life of the second part, cut at every failure or replacement of the
--    first part and at every look at the second
-- inputs: fact_lives, fact_findings
-- params: $first, $second, $births (list of known, assumed), $followed (list of contract, call_out),
--    $bracket (stated_end or last_contact)
-- choice: A life of the second part counts from a birth of the wanted kind, and only where the first
--    part's birth is of that kind too at that moment. The first part is out of service (blank age)
--    between a failure that was kept and its next replacement. Position 1 of both parts.
-- trap: A cold pass is in the rows and proves nothing unless the cold test has a sensitivity. A
--    replacement without a failed finding ends the life in an unknown state.
-- source: methods page, "Silent modes"
-- adds: rows; order unit_id
with lives as (
    select
        life.unit_id,
        life.span,
        life.part,
        life.birth,
        life.ordinal,
        life.first_or_later,
        life.born_on,
        life.enters_on,
        case when $bracket = 'last_contact' then life.exits_by_contact_on else life.exits_on end as exits_on,
        life.ending,
        life.silent,
        life.building_id
    from fact_lives as life
    where life.part in ($first, $second)
        and life.position = 1
        and list_contains($followed, life.followed_as)
),

second_lives as (
    select
        *,
        row_number() over (order by unit_id, span, ordinal) as life
    from lives
    where part = $second
        and list_contains($births, birth)
        and exits_on > enters_on
),

first_lives as (
    select * from lives where part = $first and birth in ('known', 'assumed')
),

first_unknown as (
    select distinct unit_id, span, enters_on, exits_on
    from lives
    where part = $first and birth = 'unknown'
),

looks as (
    select
        second.life,
        finding.visited_on as happened_on,
        count(*) filter (where finding.passed_hot) as hot_passed,
        count(*) filter (where finding.passed_cold and not finding.passed_hot) as cold_passed,
        bool_or(finding.tested_hot) as tested_hot,
        bool_or(finding.finding = 'untested') as untested
    from second_lives as second
    inner join fact_findings as finding
        on finding.unit_id = second.unit_id
        and finding.part = $second
        and finding.position = 1
        and finding.visited_on > second.enters_on
        and finding.visited_on <= second.exits_on
    group by second.life, finding.visited_on
),

first_ends as (
    select
        second.life,
        one.exits_on as happened_on,
        bool_or(one.ending in ('failed', 'tripped')) as failed
    from second_lives as second
    inner join first_lives as one
        on one.unit_id = second.unit_id
        and one.span = second.span
        and one.exits_on > second.enters_on
        and one.exits_on <= second.exits_on
    group by second.life, one.exits_on
),

first_starts as (
    select second.life, one.enters_on as happened_on
    from second_lives as second
    inner join first_lives as one
        on one.unit_id = second.unit_id
        and one.span = second.span
        and one.enters_on > second.enters_on
        and one.enters_on < second.exits_on
),

cuts as (
    select life, enters_on as cut_on from second_lives
    union
    select life, exits_on from second_lives
    union
    select life, happened_on from looks
    union
    select life, happened_on from first_ends
    union
    select life, happened_on from first_starts
),

stretches as (
    select life, lag(cut_on) over (partition by life order by cut_on) as from_on, cut_on as to_on
    from cuts
),

aged as (
    select
        stretch.life,
        second.unit_id,
        second.span,
        second.building_id,
        stretch.from_on,
        stretch.to_on,
        second.enters_on,
        second.first_or_later = 'first' as first_fitted,
        stretch.from_on - second.born_on as b_from,
        stretch.to_on - second.born_on as b_to,
        stretch.from_on - one.born_on as a_from,
        coalesce(list_contains($births, one.birth), unknown.unit_id is null) as wanted,
        second.exits_on = stretch.to_on as is_last,
        second.ending,
        second.silent
    from stretches as stretch
    inner join second_lives as second on second.life = stretch.life
    left join first_lives as one
        on one.unit_id = second.unit_id
        and one.span = second.span
        and one.enters_on <= stretch.from_on
        and one.exits_on >= stretch.to_on
    left join first_unknown as unknown
        on unknown.unit_id = second.unit_id
        and unknown.span = second.span
        and unknown.enters_on <= stretch.from_on
        and unknown.exits_on >= stretch.to_on
    where stretch.from_on is not null
),

wanted_lives as (
    select life from aged where from_on = enters_on and wanted
)

select
    aged.life,
    aged.unit_id,
    aged.span,
    aged.from_on,
    aged.to_on,
    coalesce(aged.building_id, aged.unit_id) as cluster_id,
    aged.first_fitted,
    aged.b_from,
    aged.b_to,
    aged.a_from,
    coalesce(ended.failed, false) and aged.a_from is not null as a_failed,
    coalesce(look.hot_passed, 0) as hot_passed,
    coalesce(look.cold_passed, 0) as cold_passed,
    case
        when aged.is_last and aged.ending = 'failed' and aged.silent
            then case when look.tested_hot then 1 else 2 end
        else 0
    end as found,
    aged.is_last and aged.ending = 'failed' and not aged.silent as visible,
    coalesce(look.untested, false) and coalesce(look.hot_passed, 0) = 0 as untested
from aged
inner join wanted_lives on wanted_lives.life = aged.life
left join looks as look on look.life = aged.life and look.happened_on = aged.to_on
left join first_ends as ended on ended.life = aged.life and ended.happened_on = aged.to_on
order by aged.life, aged.from_on
