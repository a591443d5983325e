-- A person has loaded bindings: what their items were before no longer counts.
-- $1 text[] (source)
-- $2 text[] (device)
-- $3 text[] (item)
DELETE FROM vaneward.bound_item b
 USING unnest($1::text[], $2::text[], $3::text[]) AS n (source, device, item)
 WHERE b.source = n.source AND b.device = n.device AND b.item = n.item;
