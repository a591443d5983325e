-- Gaps that arise on the way through the collector's spool.
ALTER TABLE vaneward.gap DROP CONSTRAINT gap_reason_check;
ALTER TABLE vaneward.gap ADD CONSTRAINT gap_reason_check
    CHECK (reason IN ('overrun', 'restart', 'refused', 'spool'));
COMMENT ON COLUMN vaneward.gap.reason IS 'overrun: the source''s buffer was too short; restart: the source began anew; refused: an answer could not be read; spool: readings went to make room in the collector''s spool, or were damaged there';
