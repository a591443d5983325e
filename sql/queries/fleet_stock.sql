-- Stock of parts at sites.
-- -> site text
-- -> part text
-- -> on_hand integer
-- -> on_order integer
-- -> due_on date
-- -> counted_on date
SELECT site, part, on_hand, on_order, due_on, counted_on
  FROM vaneward.stock
 ORDER BY site COLLATE "C", part COLLATE "C";
