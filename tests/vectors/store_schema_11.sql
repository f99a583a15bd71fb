-- A store as version 11 of the schema left it: that of version 10, with readings of a day in a block.
BEGIN TRANSACTION;
CREATE TABLE balance (board TEXT NOT NULL, period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL,
 end_ms INTEGER NOT NULL, feed INTEGER, outgoing INTEGER, residual INTEGER, band INTEGER, verdict TEXT NOT NULL,
 estimated INTEGER NOT NULL, missing TEXT NOT NULL, uncovered TEXT NOT NULL, covered INTEGER NOT NULL,
 of INTEGER NOT NULL, reconciled TEXT NOT NULL, written_ms INTEGER NOT NULL, reason TEXT NOT NULL, PRIMARY KEY (board, period, start_ms)) WITHOUT ROWID;
INSERT INTO "balance" VALUES('main','interval',1774735200000,1,1774736100000,5000,4000,1000,2000,'inside',0,'[]','[]',1,1,'[]',1774735200000,'closed');
INSERT INTO "balance" VALUES('main','interval',1774736100000,1,1774737000000,5000,4000,1000,2000,'inside',0,'[]','[]',1,1,'[]',1774735200000,'closed');
INSERT INTO "balance" VALUES('main','interval',1774737000000,1,1774737900000,5000,4000,1000,2000,'inside',0,'[]','[]',2,2,X'EE074E4E0DE3F11F80',1774738800000,'closed');
INSERT INTO "balance" VALUES('main','interval',1774737900000,2,1774738800000,5000,4000,900,2000,'inside',0,'[]','[]',2,2,'[["t1",36028797018963968],["q01",4700]]',1774739700000,'late reading');
CREATE TABLE balance_old (board TEXT NOT NULL, period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL,
 end_ms INTEGER NOT NULL, feed INTEGER, outgoing INTEGER, residual INTEGER, band INTEGER, verdict TEXT NOT NULL,
 estimated INTEGER NOT NULL, missing TEXT NOT NULL, uncovered TEXT NOT NULL, covered INTEGER NOT NULL,
 of INTEGER NOT NULL, reconciled TEXT NOT NULL, written_ms INTEGER NOT NULL, reason TEXT NOT NULL, PRIMARY KEY (board, period, start_ms, version)) WITHOUT ROWID;
INSERT INTO "balance_old" VALUES('main','interval',1774737900000,1,1774738800000,5000,4000,1000,2000,'inside',0,'[]','[]',2,2,X'EE074E4E8EE3288C9C',1774738800000,'closed');
CREATE TABLE change (seq INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, subject NOT NULL, period TEXT NOT NULL,
 start_ms INTEGER NOT NULL);
CREATE TABLE channel (id INTEGER PRIMARY KEY, point TEXT NOT NULL, register TEXT NOT NULL, UNIQUE (point, register));
INSERT INTO "channel" VALUES(1,'q01','1.8.0');
INSERT INTO "channel" VALUES(2,'q02','2.8.0');
INSERT INTO "channel" VALUES(3,'q01','16.7.0');
CREATE TABLE correction (id INTEGER PRIMARY KEY, point TEXT NOT NULL, register TEXT NOT NULL, from_ms INTEGER NOT NULL,
 until_ms INTEGER, factor TEXT NOT NULL, reason TEXT NOT NULL, person TEXT NOT NULL, made_ms INTEGER NOT NULL,
 withdrawn_ms INTEGER, withdrawn_by TEXT NOT NULL DEFAULT '', withdrawn_reason TEXT NOT NULL DEFAULT '',
 command TEXT NOT NULL DEFAULT '', withdrawn_command TEXT NOT NULL DEFAULT '', reads TEXT NOT NULL DEFAULT '');
INSERT INTO "correction" VALUES(1,'q01','1.8.0',1774735200000,NULL,'5/4','ratio plate','Ada',1774737000000,NULL,'','','order-1','','');
INSERT INTO "correction" VALUES(2,'q01','1.8.0',1774735200000,1774735200001,'','read off wrongly','A. Person',1774735200000,NULL,'','','two','','12');
CREATE TABLE digest (kind TEXT NOT NULL, subject NOT NULL, day INTEGER NOT NULL, count INTEGER NOT NULL, sum INTEGER NOT NULL, link BLOB,
 PRIMARY KEY (kind, subject, day)) WITHOUT ROWID;
INSERT INTO "digest" VALUES('balance','main',20540,4,2869430590258,X'1CEFE8A45094BD75');
INSERT INTO "digest" VALUES('balance_old','main',20540,1,848322213536,X'2DC246574CC2DE51');
INSERT INTO "digest" VALUES('channel','',0,3,1563635360496,X'D4792CA2294CD34F');
INSERT INTO "digest" VALUES('correction','',0,2,1941414236065,X'97CD5CB66203DC74');
INSERT INTO "digest" VALUES('digest_reach','',0,22,10973219233388,X'36C46A5DF5D3CC10');
INSERT INTO "digest" VALUES('drift_day','main',20540,1,379005707696,X'DF334F14434A55EE');
INSERT INTO "digest" VALUES('fact','closed_to_ms',0,1,319241059828,X'1E847D54B0CF0A59');
INSERT INTO "digest" VALUES('figure',1,20540,2,1580034738924,X'F5144042EB221387');
INSERT INTO "digest" VALUES('figure_old',1,20540,1,177300953682,X'89EEF1DC6A3AFA50');
INSERT INTO "digest" VALUES('flow_points','',0,1,1062154102283,X'3D9CEAE62631719C');
INSERT INTO "digest" VALUES('pv','',20540,2,1926218333073,X'9B85C9A6405D95FB');
INSERT INTO "digest" VALUES('reading',1,20537,5,3060383546646,X'5943BE92F228417A');
INSERT INTO "digest" VALUES('reading',1,20540,1,188058898471,X'D80118FCB78D67BA');
INSERT INTO "digest" VALUES('reading',2,20540,0,0,X'27E6B20628B35608');
INSERT INTO "digest" VALUES('reading',3,20540,1,970273245878,X'3EEB3D34ED394367');
INSERT INTO "digest" VALUES('unpacked','',0,0,0,X'C634BB509FBD2299');
CREATE TABLE digest_reach (kind TEXT PRIMARY KEY, complete INTEGER NOT NULL, subject, seq INTEGER NOT NULL) WITHOUT ROWID;
INSERT INTO "digest_reach" VALUES('balance',1,NULL,0);
INSERT INTO "digest_reach" VALUES('balance_old',1,NULL,0);
INSERT INTO "digest_reach" VALUES('channel',1,NULL,0);
INSERT INTO "digest_reach" VALUES('correction',1,NULL,0);
INSERT INTO "digest_reach" VALUES('drift_day',1,NULL,0);
INSERT INTO "digest_reach" VALUES('fact',1,NULL,0);
INSERT INTO "digest_reach" VALUES('figure',1,NULL,0);
INSERT INTO "digest_reach" VALUES('figure_old',1,NULL,0);
INSERT INTO "digest_reach" VALUES('finding',1,NULL,0);
INSERT INTO "digest_reach" VALUES('finding_note',1,NULL,0);
INSERT INTO "digest_reach" VALUES('finding_old',1,NULL,0);
INSERT INTO "digest_reach" VALUES('flow_points',1,NULL,0);
INSERT INTO "digest_reach" VALUES('forecast',1,NULL,0);
INSERT INTO "digest_reach" VALUES('issued',1,NULL,0);
INSERT INTO "digest_reach" VALUES('line_refused',1,NULL,0);
INSERT INTO "digest_reach" VALUES('notice',1,NULL,0);
INSERT INTO "digest_reach" VALUES('pv',1,NULL,0);
INSERT INTO "digest_reach" VALUES('pv_old',1,NULL,0);
INSERT INTO "digest_reach" VALUES('reading',1,3,8);
INSERT INTO "digest_reach" VALUES('record',1,NULL,0);
INSERT INTO "digest_reach" VALUES('suppression',1,NULL,0);
INSERT INTO "digest_reach" VALUES('unpacked',1,NULL,0);
CREATE TABLE drift_day (part TEXT NOT NULL, start_ms INTEGER NOT NULL, made_of_ms INTEGER NOT NULL, data BLOB NOT NULL,
 PRIMARY KEY (part, start_ms)) WITHOUT ROWID;
INSERT INTO "drift_day" VALUES('main',1774735200000,1774735200000,X'00');
CREATE TABLE fact (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
INSERT INTO "fact" VALUES('closed_to_ms','1774737000000');
CREATE TABLE figure (channel INTEGER NOT NULL, period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL,
 energy INTEGER, flags INTEGER NOT NULL, anchor_ms INTEGER, anchor_raw INTEGER, anchor_plateau INTEGER,
 written_ms INTEGER NOT NULL, reason TEXT NOT NULL, PRIMARY KEY (channel, period, start_ms)) WITHOUT ROWID;
INSERT INTO "figure" VALUES(1,'interval',1774735200000,2,260000,0,NULL,NULL,NULL,1774740000000,'correction 1');
INSERT INTO "figure" VALUES(1,'interval',1774736100000,1,250000,0,NULL,NULL,NULL,1774735200000,'closed');
CREATE TABLE figure_old (channel INTEGER NOT NULL, period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL,
 energy INTEGER, flags INTEGER NOT NULL, anchor_ms INTEGER, anchor_raw INTEGER, anchor_plateau INTEGER,
 written_ms INTEGER NOT NULL, reason TEXT NOT NULL, PRIMARY KEY (channel, period, start_ms, version)) WITHOUT ROWID;
INSERT INTO "figure_old" VALUES(1,'interval',1774735200000,1,250000,0,NULL,NULL,NULL,1774735200000,'closed');
CREATE TABLE finding (id TEXT PRIMARY KEY, cause TEXT NOT NULL, subject TEXT NOT NULL, at_ms INTEGER NOT NULL,
 text TEXT NOT NULL, remedy TEXT NOT NULL, points TEXT NOT NULL, first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL,
 state TEXT NOT NULL, closed_ms INTEGER, number INTEGER NOT NULL DEFAULT 1, count INTEGER NOT NULL DEFAULT 1, suppressed INTEGER NOT NULL DEFAULT 0, by TEXT NOT NULL DEFAULT '', earlier_ms INTEGER, evidence TEXT NOT NULL DEFAULT '[]', part_of TEXT NOT NULL DEFAULT '') WITHOUT ROWID;
CREATE TABLE finding_note (seq INTEGER PRIMARY KEY, id TEXT NOT NULL, number INTEGER NOT NULL, at_ms INTEGER NOT NULL,
 state TEXT NOT NULL, person TEXT NOT NULL, note TEXT NOT NULL, command TEXT NOT NULL);
CREATE TABLE finding_old (id TEXT NOT NULL, cause TEXT NOT NULL, subject TEXT NOT NULL, at_ms INTEGER NOT NULL,
 text TEXT NOT NULL, remedy TEXT NOT NULL, points TEXT NOT NULL, first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL,
 state TEXT NOT NULL, closed_ms INTEGER, number INTEGER NOT NULL, count INTEGER NOT NULL, suppressed INTEGER NOT NULL,
 by TEXT NOT NULL, earlier_ms INTEGER, evidence TEXT NOT NULL, part_of TEXT NOT NULL,
 PRIMARY KEY (id, number)) WITHOUT ROWID;
CREATE TABLE flow_points (id INTEGER PRIMARY KEY, points TEXT NOT NULL);
INSERT INTO "flow_points" VALUES(3993456206,'["t1","q01"]');
CREATE TABLE forecast (quantity TEXT NOT NULL, issued_ms INTEGER NOT NULL, interval_ms INTEGER NOT NULL,
 days INTEGER NOT NULL, young INTEGER NOT NULL, data BLOB NOT NULL, PRIMARY KEY (issued_ms, quantity)) WITHOUT ROWID;
CREATE TABLE issued (id INTEGER PRIMARY KEY, kind TEXT NOT NULL, period TEXT NOT NULL, from_ms INTEGER NOT NULL,
 until_ms INTEGER NOT NULL, made_ms INTEGER NOT NULL, person TEXT NOT NULL, sha256 TEXT NOT NULL, figures TEXT NOT NULL,
 command TEXT NOT NULL DEFAULT '');
CREATE TABLE line_mark (number INTEGER PRIMARY KEY, at_ms INTEGER NOT NULL, reading INTEGER NOT NULL,
 change INTEGER NOT NULL);
CREATE TABLE line_refused (line TEXT PRIMARY KEY, at_ms INTEGER NOT NULL, reason TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE notice (channel TEXT NOT NULL, id TEXT NOT NULL, number INTEGER NOT NULL, raised_ms INTEGER NOT NULL,
 over INTEGER NOT NULL, PRIMARY KEY (channel, id)) WITHOUT ROWID;
CREATE TABLE pv (period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL, end_ms INTEGER NOT NULL,
 production INTEGER, grid_import INTEGER, grid_export INTEGER, self_use INTEGER, consumption INTEGER,
 estimated INTEGER NOT NULL, written_ms INTEGER NOT NULL, reason TEXT NOT NULL, PRIMARY KEY (period, start_ms)) WITHOUT ROWID;
INSERT INTO "pv" VALUES('interval',1774735200000,1,1774736100000,9000,NULL,NULL,NULL,NULL,0,1774735200000,'closed');
INSERT INTO "pv" VALUES('interval',1774736100000,1,1774737000000,9000,NULL,NULL,NULL,NULL,0,1774735200000,'closed');
CREATE TABLE pv_old (period TEXT NOT NULL, start_ms INTEGER NOT NULL, version INTEGER NOT NULL, end_ms INTEGER NOT NULL,
 production INTEGER, grid_import INTEGER, grid_export INTEGER, self_use INTEGER, consumption INTEGER,
 estimated INTEGER NOT NULL, written_ms INTEGER NOT NULL, reason TEXT NOT NULL, PRIMARY KEY (period, start_ms, version)) WITHOUT ROWID;
CREATE TABLE reading (seq INTEGER PRIMARY KEY, channel INTEGER NOT NULL REFERENCES channel, at_ms INTEGER NOT NULL,
 value NUMERIC NOT NULL, received_ms INTEGER NOT NULL, marks INTEGER NOT NULL);
INSERT INTO "reading" VALUES(1,1,1774735200000,1,1774735200000,1);
INSERT INTO "reading" VALUES(3,3,1774735202000,-9.5,1774735202000,1);
INSERT INTO "reading" VALUES(8,1,1774479600000,2000,1774479600044,1);
CREATE TABLE reading_block (first_seq INTEGER PRIMARY KEY, last_seq INTEGER NOT NULL, channel INTEGER NOT NULL REFERENCES channel,
 start_ms INTEGER NOT NULL, first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL, count INTEGER NOT NULL, content BLOB NOT NULL);
INSERT INTO "reading_block" VALUES(4,7,1,1774396800000,1774476000000,1774478700000,4,X'00789C6361606060618082DF4CEA731919185E3043B84CA29CEC4C0C7C500E0313130C8310509C0F0418B87818F8411000ADFF039A');
CREATE TABLE record (id INTEGER PRIMARY KEY, kind TEXT NOT NULL, point TEXT NOT NULL, at_ms INTEGER NOT NULL,
 person TEXT NOT NULL, note TEXT NOT NULL, made_ms INTEGER NOT NULL, details TEXT NOT NULL,
 command TEXT NOT NULL DEFAULT '');
CREATE TABLE suppression (number INTEGER PRIMARY KEY, what TEXT NOT NULL, cause TEXT NOT NULL, from_ms INTEGER NOT NULL,
 until_ms INTEGER NOT NULL, person TEXT NOT NULL, note TEXT NOT NULL, command TEXT NOT NULL);
CREATE TABLE unpacked (kind TEXT PRIMARY KEY, board TEXT NOT NULL, period TEXT NOT NULL, start_ms INTEGER NOT NULL,
 version INTEGER NOT NULL) WITHOUT ROWID;
CREATE UNIQUE INDEX reading_once ON reading (channel, at_ms, value);
CREATE INDEX finding_note_of ON finding_note (id, seq);
CREATE INDEX finding_note_command ON finding_note (command) WHERE command <> '';
CREATE INDEX issued_span ON issued (from_ms, until_ms);
CREATE INDEX record_of ON record (point, at_ms);
CREATE INDEX digest_open ON digest (kind, subject, day) WHERE link IS NULL;
CREATE UNIQUE INDEX reading_block_day ON reading_block (channel, start_ms);
CREATE INDEX reading_block_last ON reading_block (last_seq);
DELETE FROM "sqlite_sequence";
PRAGMA user_version = 11;
COMMIT;
