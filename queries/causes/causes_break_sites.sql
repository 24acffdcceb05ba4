-- name: causes_break_sites
-- answers: Where on the part does it break?
-- grain: one row per part and site
-- inputs: fact_findings
-- params: none
-- choice: Only failures with a site written down.
-- trap: A site that was never written down is not a site without breaks.
-- source: methods page, "Causes"
select finding.part, finding.broke_at as site, count(*) as failures
from fact_findings as finding
where finding.failed and finding.broke_at is not null
group by finding.part, finding.broke_at
order by finding.part, failures desc, site
