-- name: rules_modes
-- answers: How many failures of a part were in one of some modes?
-- grain: one row
-- inputs: fact_findings, fact_asked_episodes
-- params: $part, $modes
-- choice: Failures whose mode was written down; each episode counts once.
-- trap: A mode that was not written down may be any.
-- source: methods page, "Rules of thumb"
-- adds: sums episodes, inside
select
    count(distinct finding.episode_id) as episodes,
    count(distinct finding.episode_id) filter (where list_contains($modes, finding.mode)) as inside
from fact_findings as finding
where finding.part = $part
    and finding.failed
    and finding.mode is not null
    and finding.episode_id in (select asked.episode_id from fact_asked_episodes as asked)
