PRAGMA application_id = 1231973203;
CREATE TABLE inkstrain_ledger (
    only INTEGER NOT NULL CHECK ("only" = 1),
    version INTEGER NOT NULL,
    PRIMARY KEY (only)
);
CREATE TABLE inkstrain_entry (
    number INTEGER NOT NULL,
    id VARCHAR NOT NULL,
    content VARCHAR NOT NULL,
    owner VARCHAR NOT NULL,
    label VARCHAR,
    kept_at VARCHAR NOT NULL,
    measured_at VARCHAR NOT NULL,
    chart VARCHAR NOT NULL,
    scan_set VARCHAR NOT NULL,
    basis VARCHAR NOT NULL,
    dpi FLOAT NOT NULL,
    made_by VARCHAR NOT NULL,
    flags VARCHAR NOT NULL,
    within BOOLEAN,
    contours INTEGER NOT NULL,
    evenness FLOAT,
    reach FLOAT,
    printer VARCHAR,
    paper VARCHAR,
    ink VARCHAR,
    profile VARCHAR,
    intent VARCHAR,
    black_point_compensation BOOLEAN,
    media_setting VARCHAR,
    quality_setting VARCHAR,
    date VARCHAR,
    note VARCHAR,
    print_name VARCHAR,
    drying_h FLOAT,
    scanner VARCHAR,
    PRIMARY KEY (number),
    CONSTRAINT inkstrain_entry_once UNIQUE (content, owner),
    UNIQUE (id)
);
CREATE INDEX inkstrain_entry_scan_set ON inkstrain_entry (scan_set);
CREATE INDEX inkstrain_entry_label ON inkstrain_entry (label);
CREATE INDEX inkstrain_entry_in_time ON inkstrain_entry (measured_at, kept_at, id);
CREATE INDEX inkstrain_entry_printer ON inkstrain_entry (printer);
CREATE INDEX inkstrain_entry_paper ON inkstrain_entry (paper);
CREATE TABLE inkstrain_kind (
    number INTEGER NOT NULL,
    element VARCHAR NOT NULL,
    measure VARCHAR NOT NULL,
    unit VARCHAR NOT NULL,
    PRIMARY KEY (number),
    CONSTRAINT inkstrain_kind_once UNIQUE (element, measure, unit)
);
CREATE TABLE inkstrain_scan (
    sha256 VARCHAR NOT NULL,
    entry INTEGER NOT NULL,
    PRIMARY KEY (sha256, entry),
    FOREIGN KEY(entry) REFERENCES inkstrain_entry (number) ON DELETE CASCADE
);
CREATE INDEX ix_inkstrain_scan_entry ON inkstrain_scan (entry);
CREATE TABLE inkstrain_document (
    entry INTEGER NOT NULL,
    score BLOB NOT NULL,
    verdict BLOB,
    sha256 VARCHAR NOT NULL,
    PRIMARY KEY (entry),
    FOREIGN KEY(entry) REFERENCES inkstrain_entry (number) ON DELETE CASCADE
);
CREATE TABLE inkstrain_crop (
    entry INTEGER NOT NULL,
    element VARCHAR NOT NULL,
    px_per_mm FLOAT NOT NULL,
    x_mm FLOAT NOT NULL,
    y_mm FLOAT NOT NULL,
    png BLOB NOT NULL,
    PRIMARY KEY (entry, element),
    FOREIGN KEY(entry) REFERENCES inkstrain_entry (number) ON DELETE CASCADE
);
CREATE TABLE inkstrain_reading (
    entry INTEGER NOT NULL,
    kind INTEGER NOT NULL,
    value FLOAT,
    standard_error FLOAT,
    hidden_below FLOAT,
    PRIMARY KEY (entry, kind),
    FOREIGN KEY(entry) REFERENCES inkstrain_entry (number) ON DELETE CASCADE,
    FOREIGN KEY(kind) REFERENCES inkstrain_kind (number)
)
 WITHOUT ROWID
;
INSERT INTO inkstrain_ledger VALUES (1, 1);
