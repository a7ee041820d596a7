CREATE TABLE chain (
    place INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    subject INTEGER NOT NULL,
    content TEXT NOT NULL,
    digest TEXT NOT NULL
) STRICT;
