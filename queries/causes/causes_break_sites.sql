-- name: causes_break_sites
-- answers: Where on the part does it break?
-- grain: one row per part and site
-- inputs: fact_findings, fact_asked_episodes
-- params: none
-- choice: Only failures with a site written down. A failure that waits for a second visit is one
--    failure: the site written down last holds.
-- trap: A site that was never written down is not a site without breaks. Lines are not failures:
--    the same break is looked at on every visit until it is mended.
-- source: methods page, "Causes"
-- adds: sums failures; order part, failures desc, site
with breaks as (
    select
        finding.part,
        finding.broke_at as site,
        row_number() over (
            partition by finding.episode_id, finding.part, finding.position
            order by finding.visited_on desc, finding.job_id desc
        ) as from_last
    from fact_findings as finding
    where finding.failed
        and finding.broke_at is not null
        and finding.episode_id in (select asked.episode_id from fact_asked_episodes as asked)
)

select part, site, count(*) as failures
from breaks
where from_last = 1
group by part, site
order by part, failures desc, site
