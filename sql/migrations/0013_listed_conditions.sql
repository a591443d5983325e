-- After a gap a source tells which conditions are active on an item. That is kept beside the reports, under the sequence
-- of the last observation that it covers, which may itself be a report.
ALTER TABLE vaneward.condition
    DROP CONSTRAINT condition_state_check,
    ADD CONSTRAINT condition_state_check CHECK (state IN ('normal', 'warning', 'alarm', 'unavailable', 'listed')),
    DROP CONSTRAINT condition_pkey,
    ADD PRIMARY KEY (site, source, instance, sequence, device, item, state);
COMMENT ON COLUMN vaneward.condition.sequence IS 'Sequence within the instance; line of an imported file; of a list the last observation that it covers';
COMMENT ON COLUMN vaneward.condition.occurred_at IS 'When it occurred by the equipment''s clock; of a list when it was published';
COMMENT ON COLUMN vaneward.condition.state IS 'normal, warning, alarm or unavailable; listed: after a gap, what is active on the item and nothing else';
COMMENT ON COLUMN vaneward.condition.message IS 'Text that came with it; of a list the identities of what is active (condition_id, else native_code), each with a newline behind it';

-- An identifier that moves to another fan of the same type and units is noticed by where the model has it.
ALTER TABLE vaneward.bound_item ADD place text, ADD name text;
COMMENT ON TABLE vaneward.bound_item IS 'What bound data items are by their source''s model when it was first read; loading the binding again forgets it';
COMMENT ON COLUMN vaneward.bound_item.place IS 'Component and composition that hold the item by the source''s model; null: not yet seen';
COMMENT ON COLUMN vaneward.bound_item.name IS 'Name of the item by the source''s model, empty: none given; null: not yet seen';
