-- name: fact_episode_parts
-- answers: Which parts were found failed and which were replaced, episode by episode?
-- grain: one row per episode and part
-- inputs: fact_findings, stg_units
-- params: none
-- choice: A failed part that waits for a second visit is replaced in the same episode. Trips count
--    as failures here.
-- trap: Failed together (what parts do) and replaced together (what technicians do) are two
--    things; both columns are kept.
-- source: methods page, "Pairs"
-- adds: by unit
select
    finding.episode_id,
    finding.unit_id,
    unit.family,
    unit.fuel,
    unit.installed_on,
    min(finding.opened_on) as opened_on,
    max(finding.visited_on) as last_on,
    max(finding.visited_on) filter (where finding.replaced) as replaced_on,
    any_value(finding.kind) as kind,
    any_value(finding.complaint) as complaint,
    finding.part,
    bool_or(finding.failed) as failed,
    bool_or(finding.replaced) as replaced,
    bool_or(finding.heat_part) as heat_part,
    bool_or(finding.passed_hot) as passed_hot,
    bool_or(finding.passed_cold) as passed_cold,
    bool_or(finding.tested_hot) as tested_hot,
    max(finding.mode) filter (where finding.failed) as mode
from fact_findings as finding
inner join stg_units as unit on unit.unit_id = finding.unit_id
group by
    finding.episode_id, finding.unit_id, unit.family, unit.fuel, unit.installed_on, finding.part
