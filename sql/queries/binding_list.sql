-- What the data items of some sources are, source by source. Each is looked up by its keys: as a part of the register is
-- asked for at a time, no plan may read the whole.
-- $1 text[] (site)
-- $2 text[] (source)
-- -> place bigint
-- -> device text
-- -> item text
-- -> role text
-- -> fan_no integer
-- -> drive text
-- -> axis text
-- -> machine text
-- -> item_type text
-- -> units text
-- -> stopped text
-- -> place_of_item text
-- -> name text
SELECT o.place, b.device, b.item, b.role, f.fan_no, coalesce(b.drive, a.drive)::text AS drive, b.axis::text,
       coalesce(d.machine, a.machine)::text AS machine, i.item_type, i.units, i.stopped, i.place AS place_of_item, i.name
  FROM unnest($1::text[], $2::text[]) WITH ORDINALITY AS o (site, source, place)
 CROSS JOIN LATERAL (SELECT * FROM vaneward.binding b WHERE b.site = o.site AND b.source = o.source OFFSET 0) b
  LEFT JOIN LATERAL (SELECT * FROM vaneward.fan f
                      WHERE f.site = b.site AND f.drive = b.drive AND f.position = b.position OFFSET 0) f ON true
  LEFT JOIN LATERAL (SELECT * FROM vaneward.axis a WHERE a.site = b.site AND a.axis = b.axis OFFSET 0) a ON true
  LEFT JOIN LATERAL (SELECT * FROM vaneward.drive d
                      WHERE d.site = b.site AND d.drive = coalesce(b.drive, a.drive) OFFSET 0) d ON true
  LEFT JOIN LATERAL (SELECT * FROM vaneward.bound_item i
                      WHERE i.site = b.site AND i.source = b.source AND i.device = b.device AND i.item = b.item
                     OFFSET 0) i ON true
 ORDER BY o.place;
