-- Begins the cursors of sources that were never read.
-- $1 text[] (site)
-- $2 text[] (source)
INSERT INTO vaneward.source_cursor (site, source)
SELECT n.site, n.source FROM unnest($1::text[], $2::text[]) AS n (site, source)
    ON CONFLICT (site, source) DO NOTHING;
