-- What the data items of all sources are, source by source.
-- -> site text
-- -> source text
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
-- -> place text
-- -> name text
SELECT b.site::text, b.source::text, b.device, b.item, b.role, f.fan_no,
       coalesce(b.drive, a.drive)::text AS drive, b.axis::text, coalesce(d.machine, a.machine)::text AS machine,
       i.item_type, i.units, i.stopped, i.place, i.name
  FROM vaneward.binding b
  LEFT JOIN vaneward.fan f ON f.site = b.site AND f.drive = b.drive AND f.position = b.position
  LEFT JOIN vaneward.axis a ON a.site = b.site AND a.axis = b.axis
  LEFT JOIN vaneward.drive d ON d.site = b.site AND d.drive = coalesce(b.drive, a.drive)
  LEFT JOIN vaneward.bound_item i ON i.site = b.site AND i.source = b.source AND i.device = b.device AND i.item = b.item
 ORDER BY b.site, b.source;
