-- What bound items are by the source's own model, so that an item that becomes another one under the same name is noticed.
CREATE TABLE vaneward.bound_item (
    site        vaneward.plant_key NOT NULL,
    source      vaneward.plant_key NOT NULL,
    device      text NOT NULL,
    item        text NOT NULL,
    item_type   text NOT NULL,
    units       text NOT NULL,
    seen_at     timestamptz NOT NULL DEFAULT now(),
    stopped     text,
    stopped_at  timestamptz,
    PRIMARY KEY (site, source, device, item),
    FOREIGN KEY (site, source, device, item) REFERENCES vaneward.binding ON DELETE CASCADE
);
COMMENT ON TABLE vaneward.bound_item IS 'Type and units of bound data items when their source''s model was first read; loading the binding again forgets them';
COMMENT ON COLUMN vaneward.bound_item.site IS 'Site of the source';
COMMENT ON COLUMN vaneward.bound_item.source IS 'Source';
COMMENT ON COLUMN vaneward.bound_item.device IS 'Device, as bound';
COMMENT ON COLUMN vaneward.bound_item.item IS 'Data item, as bound';
COMMENT ON COLUMN vaneward.bound_item.item_type IS 'Type by the source''s model; empty: none given';
COMMENT ON COLUMN vaneward.bound_item.units IS 'Units by the source''s model; empty: none given';
COMMENT ON COLUMN vaneward.bound_item.seen_at IS 'When the model was first read';
COMMENT ON COLUMN vaneward.bound_item.stopped IS 'Why nothing is taken from the item any more until a person loads the binding again; null: it is taken';
COMMENT ON COLUMN vaneward.bound_item.stopped_at IS 'When the change was noticed';
