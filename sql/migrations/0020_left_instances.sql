-- Where reading of an instance ended that its source left: asked for all sources whenever the register is read, since a source
-- may come back to it.
CREATE INDEX gap_left ON vaneward.gap (site, source, recorded_at)
    WHERE from_sequence IS NOT NULL AND to_sequence IS NULL;
