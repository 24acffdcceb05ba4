-- name: fact_asked_episodes
-- answers: Which faults do --from and --contract-only leave to be counted?
-- grain: one row per visit, with the episode it belongs to
-- inputs: fact_episodes, fact_spans
-- params: none (variables as_of, as_loaded, since, families, fuels, contract_only)
-- choice: An episode counts by the day it was opened: on or after `since`; with contract_only, within
--    a span under contract. Without either all episodes count, watched or not.
-- trap: fact_episodes knows nothing of the two: what counts faults for a question reads this.
-- source: contract, section 4
-- adds: by unit
select episode.*
from fact_episodes as episode
where episode.opened_on >= coalesce(cast(getvariable('since') as date), episode.opened_on)
    and (
        not coalesce(cast(getvariable('contract_only') as boolean), false)
        or exists (
            select 1
            from fact_spans as span
            where span.unit_id = episode.unit_id
                and span.followed_as = 'contract'
                and episode.opened_on between span.starts_on and span.ends_on
        )
    )
