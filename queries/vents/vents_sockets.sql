-- name: vents_sockets
-- answers: How many of each part has a dryer of these records, on average?
-- grain: one row per part
-- inputs: fact_socket_counts, fact_use_counts
-- params: none
-- choice: All units count, whether they have the part or not: a dryer without a coil is cleaned too.
-- trap: A failure rate is that of one part in its place. Rates of parts that no dryer has together
--    (a coil, an igniter) must not be added as if every dryer had both.
-- source: methods page, "Policy"
-- adds: company
with units as (
    select cast(sum(use.units) as bigint) as units from fact_use_counts as use
)

select
    socket.part,
    socket.sockets / units.units as sockets_per_unit
from fact_socket_counts as socket
cross join units
order by socket.part
