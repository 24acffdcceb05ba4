-- name: vents_sockets
-- answers: How many of each part has a dryer of these records, on average?
-- grain: one row per part
-- inputs: fact_sockets, fact_units
-- params: none
-- choice: All units count, whether they have the part or not: a dryer without a coil is cleaned too.
-- trap: A failure rate is that of one part in its place. Rates of parts that no dryer has together
--    (a coil, an igniter) must not be added as if every dryer had both.
-- source: methods page, "Policy"
with units as (
    select count(*) as units from fact_units
)

select
    socket.part,
    count(*) / any_value(units.units) as sockets_per_unit
from fact_sockets as socket
inner join fact_units as unit on unit.unit_id = socket.unit_id
cross join units
group by socket.part
order by socket.part
