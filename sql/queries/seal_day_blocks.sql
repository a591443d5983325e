-- Stores day blocks.
COPY vaneward.reading_day (site, fan_no, starts_at, received_at, readings, data) FROM STDIN;
