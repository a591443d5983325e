-- Loading the register: one way for all of its tables.

-- Inserts rows, or updates those whose primary key is there where something differs. A row is an array of texts,
-- one for each of the named columns; columns that are not named keep their values, or get their defaults.
CREATE FUNCTION vaneward.register_store(into_table text, column_names text[], new_rows text[],
                                        OUT added bigint, OUT changed bigint)
LANGUAGE plpgsql AS $$
DECLARE
    target      regclass := format('vaneward.%I', into_table)::regclass;
    keys        text[];
    names       text;
    casts       text;
    settings    text;
    differences text;
BEGIN
    SELECT array_agg(a.attname::text) INTO keys
      FROM pg_index i JOIN pg_attribute a ON a.attrelid = i.indrelid AND a.attnum = ANY (i.indkey)
     WHERE i.indrelid = target AND i.indisprimary;
    SELECT string_agg(format('%I', c.name), ', ' ORDER BY c.place),
           string_agg(format('cells[%s]::%s', c.place, format_type(a.atttypid, a.atttypmod)), ', ' ORDER BY c.place),
           string_agg(format('%1$I = excluded.%1$I', c.name), ', ') FILTER (WHERE c.name <> ALL (keys)),
           string_agg(format('t.%1$I IS DISTINCT FROM excluded.%1$I', c.name), ' OR ') FILTER (WHERE c.name <> ALL (keys))
      INTO names, casts, settings, differences
      FROM unnest(column_names) WITH ORDINALITY AS c (name, place)
      JOIN pg_attribute a ON a.attrelid = target AND a.attname = c.name;
    EXECUTE format(
        'WITH stored AS (INSERT INTO %s AS t (%s) SELECT %s FROM (SELECT r::text[] AS cells FROM unnest($1) r) r '
        'ON CONFLICT (%s) DO %s RETURNING xmax = 0 AS is_new) '
        'SELECT count(*) FILTER (WHERE is_new), count(*) FILTER (WHERE NOT is_new) FROM stored',
        target, names, casts, (SELECT string_agg(format('%I', k), ', ') FROM unnest(keys) k),
        coalesce('UPDATE SET ' || settings || ' WHERE ' || differences, 'NOTHING'))
       INTO added, changed USING new_rows;
END $$;
COMMENT ON FUNCTION vaneward.register_store(text, text[], text[]) IS 'Inserts or updates rows of a register table; tells how many were added and changed';
