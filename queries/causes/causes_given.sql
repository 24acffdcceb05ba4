-- name: causes_given
-- answers: Behind a complaint and a reading of one part, which part had failed?
-- grain: one row per complaint, part measured, class of reading and part found failed
-- inputs: fact_asked_episodes, fact_episode_parts, stg_lines
-- params: $complaint (or null for all), $measured (parts), $classes (one class for each)
-- choice: Call-out episodes; of several readings of a part on one episode the first visit's lowest
--    holds, open circuit before any. With $measured, only episodes in which every part named read
--    in the class beside it. Classes: open, under 1 ohm, 1 to 8, 8 to 15, over 15.
-- trap: Readings were taken where somebody suspected the part: shares are among those calls, and
--    no diagnosis of another dryer.
-- source: methods page, "Causes"
-- adds: sums episodes, unit_count; totals episodes_total per complaint, measured_part, reading;
--    order complaint, measured_part, reading, episodes desc, part
with episodes as (
    select
        episode.episode_id,
        episode.job_id,
        episode.unit_id,
        coalesce(episode.complaint, 'not_recorded') as complaint
    from fact_asked_episodes as episode
    where episode.visit = 1
        and episode.kind = 'call_out'
        and ($complaint is null or episode.complaint = $complaint)
),

readings as (
    select
        episode.episode_id,
        line.part,
        case
            when bool_or(coalesce(line.reading_open, false)) then 'open'
            when min(line.reading_ohm) < 1 then 'under_1_ohm'
            when min(line.reading_ohm) < 8 then '1_to_8_ohm'
            when min(line.reading_ohm) <= 15 then '8_to_15_ohm'
            else 'over_15_ohm'
        end as class
    from episodes as episode
    inner join stg_lines as line on line.job_id = episode.job_id
    where line.reading_open or line.reading_ohm is not null
    group by episode.episode_id, line.part
),

asked as (
    select unnest($measured) as part, unnest($classes) as class
),

matched as (
    select episode.*
    from episodes as episode
    where not exists (
        select 1
        from asked
        where not exists (
            select 1
            from readings as reading
            where reading.episode_id = episode.episode_id
                and reading.part = asked.part
                and reading.class = asked.class
        )
    )
),

measured as (
    select matched.episode_id, matched.unit_id, matched.complaint, reading.part, reading.class
    from matched
    inner join readings as reading on reading.episode_id = matched.episode_id
    where not exists (select 1 from asked)
    union all
    select matched.episode_id, matched.unit_id, matched.complaint, '' as part, '' as class
    from matched
    where exists (select 1 from asked)
),

totals as (
    select complaint, part, class, count(*) as episodes_total
    from measured
    group by complaint, part, class
)

select
    measured.complaint,
    measured.part as measured_part,
    measured.class as reading,
    coalesce(failed.part, 'no_fault_found') as part,
    count(*) as episodes,
    count(distinct measured.unit_id) as unit_count,
    any_value(total.episodes_total) as episodes_total
from measured
inner join totals as total
    on total.complaint = measured.complaint
    and total.part = measured.part
    and total.class = measured.class
left join fact_episode_parts as failed
    on failed.episode_id = measured.episode_id and failed.failed
group by measured.complaint, measured.part, measured.class, failed.part
order by measured.complaint, measured_part, reading, episodes desc, part
