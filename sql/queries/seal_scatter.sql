-- Stores packed readings of ranges of fans.
COPY vaneward.journal_scattered (to_fan, row_no, data) FROM STDIN;
