-- Remembers what bound items are, or that they have become something else.
-- $1 text[] (site)
-- $2 text[] (source)
-- $3 text[] (device, as bound)
-- $4 text[] (item)
-- $5 text[] (type when first seen)
-- $6 text[] (units when first seen)
-- $7 text[] (why nothing is taken from it any more; null: it is taken)
-- $8 text[] (place when first seen)
-- $9 text[] (name when first seen)
INSERT INTO vaneward.bound_item (site, source, device, item, item_type, units, stopped, stopped_at, place, name)
SELECT n.site, n.source, n.device, n.item, n.item_type, n.units, n.stopped,
       CASE WHEN n.stopped IS NOT NULL THEN now() END, n.place, n.name
  FROM unnest($1::text[], $2::text[], $3::text[], $4::text[], $5::text[], $6::text[], $7::text[],
              $8::text[], $9::text[]) AS n (site, source, device, item, item_type, units, stopped, place, name)
  JOIN vaneward.binding b ON b.site = n.site AND b.source = n.source AND b.device = n.device AND b.item = n.item
    ON CONFLICT (site, source, device, item) DO UPDATE
   SET stopped = excluded.stopped, stopped_at = excluded.stopped_at,
       place = coalesce(bound_item.place, excluded.place), name = coalesce(bound_item.name, excluded.name);
