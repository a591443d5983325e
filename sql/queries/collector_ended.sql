-- Notes that a collector ended as it was asked to.
-- $1 text (host and process)
DELETE FROM vaneward.collector WHERE collector = $1::text;
