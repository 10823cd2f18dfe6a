-- A tablet's store as the second schema left it, with the first texts of a fork: invented entries of two tablets.
PRAGMA user_version = 2;
BEGIN TRANSACTION;
CREATE TABLE cursor (
  stream TEXT PRIMARY KEY,
  after INTEGER NOT NULL
) STRICT;
INSERT INTO "cursor" VALUES('care',9);
CREATE TABLE forked_operation (
  reference TEXT PRIMARY KEY,
  epoch TEXT NOT NULL,
  counter INTEGER NOT NULL,
  envelope TEXT NOT NULL,
  body TEXT NOT NULL,
  reissued_as TEXT NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO "forked_operation" VALUES('tablet-a.ep01.7#0123456789abcdef','ep01',7,'{"op_id":"tablet-a.ep01.7","previous":"an invented first text"}','{"salt":"0000000000000000000000000000000f"}','tablet-a.ep02.1#6c603be472d4aca5');
CREATE TABLE meta (
  name TEXT PRIMARY KEY,
  content TEXT NOT NULL
) STRICT;
INSERT INTO "meta" VALUES('own_device','{"device":"tablet-a","role":"bedside","token":"token-of-tablet-a","unitName":"Test unit","streams":["care","booking","unit"]}');
INSERT INTO "meta" VALUES('epoch','"ep02"');
INSERT INTO "meta" VALUES('last_stamp','"001790000000901.00001.tablet-a"');
INSERT INTO "meta" VALUES('remembered:place','"#/case/c-1/procedure"');
INSERT INTO "meta" VALUES('server','"server-1"');
INSERT INTO "meta" VALUES('catalogue','3');
CREATE TABLE operation (
  seq INTEGER PRIMARY KEY,
  device TEXT NOT NULL,
  epoch TEXT NOT NULL,
  counter INTEGER NOT NULL CHECK (counter > 0),
  stream TEXT NOT NULL,
  record TEXT NOT NULL,
  stamp TEXT NOT NULL,
  previous BLOB NOT NULL,
  commitment BLOB NOT NULL,
  hash BLOB NOT NULL,
  body TEXT,
  draft_id TEXT UNIQUE,
  taken_in_ms INTEGER NOT NULL,
  UNIQUE (device, epoch, counter)
) STRICT;
INSERT INTO "operation" VALUES(1,'tablet-a','ep01',1,'booking','patient/p-1','001790000000000.00000.tablet-a',X'',X'88F58073885879D4F58EB17F155B08BD5ABE86EC8A5D9AD9BAA4B53EC1895ED1',X'A3FFE5C720E1D20220CF5236D2AA10FCBDDF4E6D4615C4CD489E978523D5D453','{"salt":"00000000000000000000000000000001","by":"staff/s-1","tapped_by":"staff/s-2","catalogue":2,"set":{"family_name":"Sample","phone":"0700 900 111"}}','d-1',1790000000000);
INSERT INTO "operation" VALUES(2,'tablet-a','ep01',2,'care','case/c-1','001790000000001.00000.tablet-a',X'A3FFE5C720E1D20220CF5236D2AA10FCBDDF4E6D4615C4CD489E978523D5D453',X'B181588C4391A0C422B448FBFE75352B43416D05291D7AABF65655C761EC5339',X'88569141ED384345B0D118A1E5DDD19FFC1301EE223ECEB3C010241BA6EBC143','{"salt":"00000000000000000000000000000002","by":"staff/s-1","tapped_by":"staff/s-2","catalogue":2,"set":{"patient":"patient/p-1"}}','d-2',1790000000001);
INSERT INTO "operation" VALUES(3,'tablet-a','ep01',3,'care','puncture/x-1','001790000000002.00000.tablet-a',X'88569141ED384345B0D118A1E5DDD19FFC1301EE223ECEB3C010241BA6EBC143',X'EFC6FD4F808E49744436004B1A588E51528E6571E9D66D0A56F8EA035B79B377',X'65AC9B9FB21BB1725D020E43CA9E7F1DE1AAF38F4DEE11D32CA73827199F8432','{"salt":"00000000000000000000000000000003","by":"staff/s-1","tapped_by":"staff/s-2","catalogue":2,"set":{"case":"case/c-1","stop_um":30000}}','d-3',1790000000002);
INSERT INTO "operation" VALUES(4,'tablet-a','ep01',4,'care','puncture/x-1','001790000000003.00000.tablet-a',X'65AC9B9FB21BB1725D020E43CA9E7F1DE1AAF38F4DEE11D32CA73827199F8432',X'5B622654302EDE781B4D460AEC785559FB9E005EB2C6966F13649768A048B1DA',X'BB9CCF2D4149B35176505A5CCFC0C00BA46BA0DB6258BD2B6F9617BE81CCC404','{"salt":"00000000000000000000000000000004","by":"staff/s-1","tapped_by":"staff/s-2","catalogue":2,"set":{"stop_um":31000},"over":{"stop_um":["tablet-a.ep01.3#65ac9b9fb21bb172"]}}','d-4',1790000000003);
INSERT INTO "operation" VALUES(5,'tablet-a','ep01',5,'care','coil_placed/k-1','001790000000004.00000.tablet-a',X'BB9CCF2D4149B35176505A5CCFC0C00BA46BA0DB6258BD2B6F9617BE81CCC404',X'44DBEB7296E9F9FC45B609DDD93DDE9CBE3FF13D18907AC98D32DA597843802A',X'990716EC3CB335E42F5FED6F72CD5152FB961EF85D8439CCE610EC006ACBB45D','{"salt":"00000000000000000000000000000005","by":"staff/s-1","tapped_by":"staff/s-2","catalogue":2,"set":{"puncture":"puncture/x-1"}}','d-5',1790000000004);
INSERT INTO "operation" VALUES(6,'tablet-a','ep01',6,'care','coil_placed/k-1','001790000000005.00000.tablet-a',X'990716EC3CB335E42F5FED6F72CD5152FB961EF85D8439CCE610EC006ACBB45D',X'471370D51744FD65D41495668EB734212E143270749F94D5E82D3F42448ECA35',X'1C451BF70340EB0C1FD03EE867111AF72DB8091EA8CC816367E2773FF8993F61','{"salt":"00000000000000000000000000000006","by":"staff/s-1","tapped_by":"staff/s-2","catalogue":2,"retract":["tablet-a.ep01.5#990716ec3cb335e4"],"because":"Entered twice"}','d-6',1790000000005);
INSERT INTO "operation" VALUES(7,'tablet-b','ep09',1,'care','puncture/x-1','001790000000900.00000.tablet-b',X'',X'CA7CC415E4600C258DFC19F6B60FCA8949A6051EDCCD890F01B957A3D56CA3A1',X'28B5FDB65FD4F3BF303DD2C7B53F242EE5850193A351521828E5B9BB08897FBD','{"salt":"000000000000000000000000000000b1","by":"staff/s-3","tapped_by":"staff/s-3","catalogue":1,"set":{"stop_um":33000}}',NULL,1790000000950);
INSERT INTO "operation" VALUES(8,'tablet-b','ep09',2,'care','puncture/x-2','001790000000901.00000.tablet-b',X'28B5FDB65FD4F3BF303DD2C7B53F242EE5850193A351521828E5B9BB08897FBD',X'10601CD37950EB15BFB7E497DB9A892F064C46ED924FF10DC98A38D69722BE17',X'8DC829E214972AAFC84FA97B3806AFC446E0BA4DF5482FCB876AFE27C126FA33',NULL,NULL,1790000000950);
INSERT INTO "operation" VALUES(9,'tablet-a','ep02',1,'care','puncture/x-3','001790000000901.00001.tablet-a',X'',X'AC460DC777406F0465155344851988D44EA34DB6CDE56BF419DA0803EDE78FA6',X'6C603BE472D4ACA5E878312C83CB04998A42D7DFF61FD64C0ABF0EBF1A7D6CC0','{"salt":"00000000000000000000000000000007","by":"staff/s-1","tapped_by":"staff/s-2","catalogue":2,"set":{"case":"case/c-1","stop_um":20000}}','d-7',1790000000006);
CREATE TABLE own_epoch (
  epoch TEXT PRIMARY KEY,
  counter INTEGER NOT NULL,
  hash TEXT NOT NULL,
  held_by_unit INTEGER NOT NULL DEFAULT 0,
  is_forked INTEGER NOT NULL DEFAULT 0
) STRICT;
INSERT INTO "own_epoch" VALUES('ep01',6,'1c451bf70340eb0c1fd03ee867111af72db8091ea8cc816367e2773ff8993f61',3,1);
INSERT INTO "own_epoch" VALUES('ep02',1,'6c603be472d4aca5e878312c83cb04998a42d7dff61fd64c0abf0ebf1a7d6cc0',0,0);
CREATE TABLE quarantine (
  id INTEGER PRIMARY KEY,
  side TEXT NOT NULL CHECK (side IN ('tablet', 'unit')),
  op_id TEXT NOT NULL,
  envelope TEXT NOT NULL,
  body TEXT,
  sentence TEXT NOT NULL,
  found_ms INTEGER NOT NULL,
  UNIQUE (side, op_id, envelope)
) STRICT;
INSERT INTO "quarantine" VALUES(1,'tablet','tablet-b.ep09.1','{"op_id":"tablet-b.ep09.1","previous":"","stream":"care","record":"puncture/x-9","stamp":"001790000000900.00000.tablet-b","commitment":"ca7cc415e4600c258dfc19f6b60fca8949a6051edccd890f01b957a3d56ca3a1"}','{"salt":"000000000000000000000000000000b1","by":"staff/s-3","tapped_by":"staff/s-3","catalogue":1,"set":{"stop_um":33000}}','Two devices wrote as tablet-b: tablet-b.ep09.1 came in two versions. Both are kept; ask the data manager.',1790000000950);
CREATE TABLE record_parent (
  record TEXT NOT NULL,
  kind TEXT NOT NULL,
  parent TEXT NOT NULL,
  PRIMARY KEY (record, parent)
) STRICT, WITHOUT ROWID;
INSERT INTO "record_parent" VALUES('puncture/x-1','puncture','case/c-1');
INSERT INTO "record_parent" VALUES('puncture/x-3','puncture','case/c-1');
INSERT INTO "record_parent" VALUES('case/c-1','case','patient/p-1');
CREATE TABLE record_state (
  record TEXT PRIMARY KEY,
  kind TEXT NOT NULL,
  parent TEXT,
  stream TEXT NOT NULL,
  has_conflict INTEGER NOT NULL,
  entered_in_error INTEGER NOT NULL,
  state TEXT NOT NULL
) STRICT;
INSERT INTO "record_state" VALUES('case/c-1','case','patient/p-1','care',0,0,'{"record":"case/c-1","fields":{"patient":{"values":[{"value":"patient/p-1","references":["tablet-a.ep01.2#88569141ed384345"],"by":"staff/s-1","stamp":"001790000000001.00000.tablet-a"}],"isConflict":false}},"struck":[],"isEnteredInError":false,"heads":["tablet-a.ep01.2#88569141ed384345"]}');
INSERT INTO "record_state" VALUES('coil_placed/k-1','coil_placed',NULL,'care',0,1,'{"record":"coil_placed/k-1","fields":{},"struck":["tablet-a.ep01.5#990716ec3cb335e4"],"isEnteredInError":true,"heads":[]}');
INSERT INTO "record_state" VALUES('patient/p-1','patient',NULL,'booking',0,0,'{"record":"patient/p-1","fields":{"family_name":{"values":[{"value":"Sample","references":["tablet-a.ep01.1#a3ffe5c720e1d202"],"by":"staff/s-1","stamp":"001790000000000.00000.tablet-a"}],"isConflict":false},"phone":{"values":[{"value":"0700 900 111","references":["tablet-a.ep01.1#a3ffe5c720e1d202"],"by":"staff/s-1","stamp":"001790000000000.00000.tablet-a"}],"isConflict":false}},"struck":[],"isEnteredInError":false,"heads":["tablet-a.ep01.1#a3ffe5c720e1d202"]}');
INSERT INTO "record_state" VALUES('puncture/x-1','puncture','case/c-1','care',1,0,'{"record":"puncture/x-1","fields":{"case":{"values":[{"value":"case/c-1","references":["tablet-a.ep01.3#65ac9b9fb21bb172"],"by":"staff/s-1","stamp":"001790000000002.00000.tablet-a"}],"isConflict":false},"stop_um":{"values":[{"value":31000,"references":["tablet-a.ep01.4#bb9ccf2d4149b351"],"by":"staff/s-1","stamp":"001790000000003.00000.tablet-a"},{"value":33000,"references":["tablet-b.ep09.1#28b5fdb65fd4f3bf"],"by":"staff/s-3","stamp":"001790000000900.00000.tablet-b"}],"isConflict":true}},"struck":[],"isEnteredInError":false,"heads":["tablet-a.ep01.3#65ac9b9fb21bb172","tablet-a.ep01.4#bb9ccf2d4149b351","tablet-b.ep09.1#28b5fdb65fd4f3bf"]}');
INSERT INTO "record_state" VALUES('puncture/x-2','puncture',NULL,'care',0,0,'{"record":"puncture/x-2","fields":{},"struck":[],"isEnteredInError":false,"heads":[]}');
INSERT INTO "record_state" VALUES('puncture/x-3','puncture','case/c-1','care',0,0,'{"record":"puncture/x-3","fields":{"case":{"values":[{"value":"case/c-1","references":["tablet-a.ep02.1#6c603be472d4aca5"],"by":"staff/s-1","stamp":"001790000000901.00001.tablet-a"}],"isConflict":false},"stop_um":{"values":[{"value":20000,"references":["tablet-a.ep02.1#6c603be472d4aca5"],"by":"staff/s-1","stamp":"001790000000901.00001.tablet-a"}],"isConflict":false}},"struck":[],"isEnteredInError":false,"heads":["tablet-a.ep02.1#6c603be472d4aca5"]}');
CREATE INDEX operation_by_record ON operation (record);
CREATE INDEX record_state_by_kind ON record_state (kind);
CREATE INDEX record_state_with_conflict ON record_state (record) WHERE has_conflict = 1;
CREATE INDEX record_parent_by_parent ON record_parent (parent, kind);
COMMIT;
