-- A row of the journal fills a page and lies in it as a whole: above 2 kB, the usual limit, its bytes would be cut into
-- pieces of that size, each with an index entry of its own. Longer rows still are.
ALTER TABLE vaneward.journal_0 SET (toast_tuple_target = 8160);
ALTER TABLE vaneward.journal_1 SET (toast_tuple_target = 8160);
