-- A store as version 1 wrote it: one visit that ended (packed by chunk codec 1) and one left open.
PRAGMA application_id = 1213157190;
PRAGMA user_version = 1;
CREATE TABLE visit (
        visit_no INTEGER PRIMARY KEY,
        visit_id TEXT NOT NULL UNIQUE,
        horse TEXT NOT NULL,
        practice TEXT NOT NULL,
        started_ns INTEGER NOT NULL,
        ended_ns INTEGER,
        invented INTEGER NOT NULL CHECK (invented IN (0, 1)),
        begin_json TEXT NOT NULL
    ) STRICT;
CREATE TABLE stream (
        stream_no INTEGER PRIMARY KEY,
        boot TEXT NOT NULL,
        source_id TEXT NOT NULL,
        channel TEXT NOT NULL,
        UNIQUE (boot, source_id, channel)
    ) STRICT;
CREATE TABLE frame (
        frame_no INTEGER PRIMARY KEY,
        visit_no INTEGER NOT NULL REFERENCES visit,
        stream_no INTEGER NOT NULL REFERENCES stream,
        steady_ns INTEGER NOT NULL,
        wall_ns INTEGER NOT NULL,
        monotonic_ns INTEGER NOT NULL,
        payload BLOB NOT NULL
    ) STRICT;
CREATE TABLE chunk (
        visit_no INTEGER NOT NULL REFERENCES visit,
        chunk_no INTEGER NOT NULL,
        n INTEGER NOT NULL,
        t0_ns INTEGER NOT NULL,
        t1_ns INTEGER NOT NULL,
        codec INTEGER NOT NULL,
        crc INTEGER NOT NULL,
        body BLOB NOT NULL,
        PRIMARY KEY (visit_no, chunk_no)
    ) STRICT;
CREATE TABLE series (
        series_no INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE
    ) STRICT;
CREATE TABLE bin (
        visit_no INTEGER NOT NULL REFERENCES visit,
        series_no INTEGER NOT NULL REFERENCES series,
        t0_ns INTEGER NOT NULL,
        lo REAL NOT NULL,
        hi REAL NOT NULL,
        sum REAL NOT NULL,
        n INTEGER NOT NULL,
        PRIMARY KEY (visit_no, series_no, t0_ns)
    ) STRICT, WITHOUT ROWID;
CREATE TABLE verdict (
        verdict_no INTEGER PRIMARY KEY,
        visit_no INTEGER NOT NULL REFERENCES visit,
        at_ns INTEGER NOT NULL,
        foot TEXT NOT NULL,
        question TEXT NOT NULL,
        status TEXT NOT NULL,
        call TEXT NOT NULL,
        rule TEXT NOT NULL,
        because TEXT NOT NULL,
        next_step TEXT NOT NULL,
        estimates TEXT NOT NULL
    ) STRICT;
CREATE INDEX verdict_of_visit ON verdict (visit_no);
INSERT INTO visit VALUES (1, 'old-ended', 'Bramble', 'Invented practice', 1760000000000000000,
    1760000009000000000, 1, '{"visit_id": "old-ended"}');
INSERT INTO visit VALUES (2, 'old-open', 'Cinder', 'Invented practice', 1760001000000000000,
    NULL, 0, '{"visit_id": "old-open"}');
INSERT INTO stream VALUES (1, 'boot-a', 'ir', 'gatt:2a1c'), (2, 'boot-a', 'air', 'line:hs1');
INSERT INTO chunk VALUES (1, 0, 5, 1760000000000000000, 1760000004000000000, 1, 2814914257,
    x'789cb3646060888e564acacf2fd14d54d251ca2c0212e989252556468986c94ab13a48728960c99cccbc54ab8c6243a5d8580646204402a78060c32c20b8620d046b4042c740440e88900011ec0c24804f2022144e8480084b103119443c07114c2080a6adc0a0c0a8c0a4c0b0c01800fe8a2246');
INSERT INTO frame VALUES (6, 2, 1, 1760001000000000000, 1760001000000000009, 77, x'00ff');
INSERT INTO frame VALUES (7, 2, 2, 1760000999000000000, 1760001000000000008, 76, x'');
INSERT INTO series VALUES (1, 'air_K');
INSERT INTO bin VALUES (1, 1, 1760000000000000000, 279.5, 280.5, 840.0, 3);
INSERT INTO verdict VALUES (1, 1, 1760000003000000000, 'LF', 'POUR', 'READY', 'POUR NOW', 'dry',
    'No film seen.', 'Pour.', '[{"name": "p", "value": 0.9, "low": 0.8, "high": null, "unit": "1", "model": "m", "within_validity": true, "reason": "r"}]');
