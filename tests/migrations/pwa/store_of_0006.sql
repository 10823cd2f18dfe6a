-- A tablet's store as the sixth schema left it, in use: the invented entries of the third.
PRAGMA user_version = 6;
BEGIN TRANSACTION;
CREATE TABLE access_line (
  seq INTEGER PRIMARY KEY,
  chain TEXT NOT NULL,
  counter INTEGER NOT NULL CHECK (counter > 0),
  line TEXT NOT NULL,
  UNIQUE (chain, counter)
) STRICT;
CREATE TABLE cursor (
  stream TEXT PRIMARY KEY,
  after INTEGER NOT NULL
) STRICT;
INSERT INTO "cursor" VALUES('care',9);
CREATE TABLE dropped_case (
  record TEXT PRIMARY KEY,
  patient TEXT NOT NULL,
  dropped_ms INTEGER NOT NULL,
  last_receipt INTEGER NOT NULL,
  is_wanted INTEGER NOT NULL DEFAULT 0 CHECK (is_wanted IN (0, 1))
) STRICT, WITHOUT ROWID;
INSERT INTO "dropped_case" VALUES('case/c-9','patient/p-9',1792678402000,9,0);
CREATE TABLE dropped_record (
  record TEXT NOT NULL,
  of_case TEXT NOT NULL,
  came_later INTEGER NOT NULL CHECK (came_later IN (0, 1)),
  PRIMARY KEY (record, of_case)
) STRICT, WITHOUT ROWID;
INSERT INTO "dropped_record" VALUES('case/c-9','case/c-9',0);
INSERT INTO "dropped_record" VALUES('puncture/x-9','case/c-9',0);
CREATE TABLE erased_record (
  record TEXT PRIMARY KEY,
  erasure TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE forked_operation (
  reference TEXT PRIMARY KEY,
  epoch TEXT NOT NULL,
  counter INTEGER NOT NULL,
  envelope TEXT NOT NULL,
  body TEXT NOT NULL,
  reissued_as TEXT NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO "forked_operation" VALUES('tablet-a.ep01.7#0123456789abcdef','ep01',7,'{"op_id":"tablet-a.ep01.7","previous":"an invented first text"}','{"salt":"0000000000000000000000000000000f"}','tablet-a.ep02.1#6c603be472d4aca5');
CREATE TABLE held_since (
  epoch TEXT NOT NULL,
  counter INTEGER NOT NULL,
  seen_ms INTEGER NOT NULL,
  PRIMARY KEY (epoch, counter)
) STRICT, WITHOUT ROWID;
CREATE TABLE meta (
  name TEXT PRIMARY KEY,
  content TEXT NOT NULL
) STRICT;
INSERT INTO "meta" VALUES('own_device','{"device":"tablet-a","role":"bedside","token":"token-of-tablet-a","unitName":"Test unit","streams":["care","booking","unit"]}');
INSERT INTO "meta" VALUES('epoch','"ep02"');
INSERT INTO "meta" VALUES('last_stamp','"001790000001004.00000.tablet-c"');
INSERT INTO "meta" VALUES('remembered:place','"#/case/c-1/procedure"');
INSERT INTO "meta" VALUES('server','"server-1"');
INSERT INTO "meta" VALUES('catalogue','7');
CREATE TABLE operation (
  seq INTEGER PRIMARY KEY,
  log INTEGER NOT NULL,
  counter INTEGER NOT NULL CHECK (counter > 0),
  stream INTEGER NOT NULL,
  record INTEGER NOT NULL,
  stamp TEXT NOT NULL,
  previous BLOB,
  commitment BLOB NOT NULL,
  hash BLOB NOT NULL,
  body BLOB,
  draft_id TEXT,
  taken_in_ms INTEGER NOT NULL,
  UNIQUE (log, counter)
) STRICT;
INSERT INTO "operation" VALUES(1,1,1,2,3,'mubbs7i8.0',NULL,X'88f58073885879d4f58eb17f155b08bd5abe86ec8a5d9ad9baa4b53ec1895ed1',X'a3ffe5c720e1d20220cf5236d2aa10fcbddf4e6d4615c4cd489e978523d5d453',X'0104050000000000000000000000000000000153616d706c6503303730302039303020313131','d-1',1790000000000);
INSERT INTO "operation" VALUES(2,1,2,6,7,'mubbs7i9.0',NULL,X'b181588c4391a0c422b448fbfe75352b43416d05291d7aabf65655c761ec5339',X'88569141ed384345b0d118a1e5ddd19ffc1301ee223eceb3c010241ba6ebc143',X'010408000000000000000000000000000000020433','d-2',1790000000001);
INSERT INTO "operation" VALUES(3,1,3,6,9,'mubbs7ia.0',NULL,X'efc6fd4f808e49744436004b1a588e51528e6571e9d66d0a56f8ea035b79b377',X'65ac9b9fb21bb1725d020e43ca9e7f1de1aaf38f4dee11d32ca73827199f8432',X'01040a000000000000000000000000000000030437033330303030','d-3',1790000000002);
INSERT INTO "operation" VALUES(4,1,4,6,9,'mubbs7ib.0',NULL,X'5b622654302ede781b4d460aec785559fb9e005eb2c6966f13649768a048b1da',X'bb9ccf2d4149b35176505a5ccfc0c00ba46ba0db6258bd2b6f9617be81ccc404',X'01040b000000000000000000000000000000043331303030037461626c65742d612e657030312e332336356163396239666232316262313732','d-4',1790000000003);
INSERT INTO "operation" VALUES(5,1,5,6,12,'mubbs7ic.0',NULL,X'44dbeb7296e9f9fc45b609ddd93dde9cbe3ff13d18907ac98d32da597843802a',X'990716ec3cb335e42f5fed6f72cd5152fb961ef85d8439cce610ec006acbb45d',X'01040d000000000000000000000000000000050439','d-5',1790000000004);
INSERT INTO "operation" VALUES(6,1,6,6,12,'mubbs7id.0',NULL,X'471370d51744fd65d41495668eb734212e143270749f94d5e82d3f42448eca35',X'1c451bf70340eb0c1fd03ee867111af72db8091ea8cc816367e2773ff8993f61',X'01040e000000000000000000000000000000067461626c65742d612e657030312e35233939303731366563336362333335653403456e7465726564207477696365','d-6',1790000000005);
INSERT INTO "operation" VALUES(7,15,1,6,9,'mubbs878.0',NULL,X'ca7cc415e4600c258dfc19f6b60fca8949a6051edccd890f01b957a3d56ca3a1',X'28b5fdb65fd4f3bf303dd2c7b53f242ee5850193a351521828e5b9bb08897fbd',X'011011000000000000000000000000000000b13333303030',NULL,1790000000950);
INSERT INTO "operation" VALUES(8,15,2,6,18,'mubbs879.0',NULL,X'10601cd37950eb15bfb7e497db9a892f064c46ed924ff10dc98a38d69722be17',X'8dc829e214972aafc84fa97b3806afc446e0ba4df5482fcb876afe27c126fa33',NULL,NULL,1790000000950);
INSERT INTO "operation" VALUES(9,19,1,6,20,'mubbs879.1',NULL,X'ac460dc777406f0465155344851988d44ea34db6cde56bf419da0803ede78fa6',X'6c603be472d4aca5e878312c83cb04998a42d7dff61fd64c0abf0ebf1a7d6cc0',X'01040a000000000000000000000000000000070437033230303030','d-7',1790000000006);
INSERT INTO "operation" VALUES(10,21,1,6,22,'mubbs8a1.0',NULL,X'063bdbe2161c55cc55a38b8a77e919aab80974b2c5cbfac327cce39722c81b41',X'801b883dfea1f0cf6ce4bd355c1995476baead4445356f4ea838fe30c6b7f6af',NULL,NULL,1790000002000);
INSERT INTO "operation" VALUES(11,21,2,6,23,'mubbs8a2.0',NULL,X'6d57c8b50eb618468e25793174e9e0600e57cda1a3979b72fe67e9264087c5f8',X'3be24d5d67f5545414eb40e7952da53e7a4b147f41fb17a3dce852b0161c9c90',NULL,NULL,1790000002000);
INSERT INTO "operation" VALUES(12,21,3,6,22,'mubbs8a3.0',NULL,X'55df57ca27411348e3cfd91bbb582c978959812bd1c4adca9c3a1595aab297fe',X'166bcb2b3d6d1cd4267d2ef9e94a22677cfb384b0df2beeaea9b9835662f1cfb',NULL,NULL,1790000002000);
INSERT INTO "operation" VALUES(13,21,4,6,24,'mubbs8a4.0',NULL,X'dc0b9931e3c896afd73190426ef0fce873b1930299a9907703879e3391dcae84',X'6b070cc77f60903052f4b2572a17240ed7255d021ed08185cee8bb55fbb45a8b',X'011a1bc00000000000000000000000000000040470036f70656e036e6f6e652d6b6e6f776e036772c3b6c39f6520e29883205c22785c5c795c22',NULL,1790000002000);
CREATE TABLE own_epoch (
  epoch TEXT PRIMARY KEY,
  counter INTEGER NOT NULL,
  hash TEXT NOT NULL,
  held_by_unit INTEGER NOT NULL DEFAULT 0,
  is_forked INTEGER NOT NULL DEFAULT 0
) STRICT;
INSERT INTO "own_epoch" VALUES('ep01',6,'1c451bf70340eb0c1fd03ee867111af72db8091ea8cc816367e2773ff8993f61',3,1);
INSERT INTO "own_epoch" VALUES('ep02',1,'6c603be472d4aca5e878312c83cb04998a42d7dff61fd64c0abf0ebf1a7d6cc0',0,0);
CREATE TABLE phrase (
  id INTEGER PRIMARY KEY,
  text TEXT NOT NULL UNIQUE
) STRICT;
INSERT INTO "phrase" VALUES(1,'tablet-a.ep01');
INSERT INTO "phrase" VALUES(2,'booking');
INSERT INTO "phrase" VALUES(3,'patient/p-1');
INSERT INTO "phrase" VALUES(4,'"by":"staff/s-1","tapped_by":"staff/s-2","catalogue":2,');
INSERT INTO "phrase" VALUES(5,'"set":{"family_name":,"phone":}}');
INSERT INTO "phrase" VALUES(6,'care');
INSERT INTO "phrase" VALUES(7,'case/c-1');
INSERT INTO "phrase" VALUES(8,'"set":{"patient":}}');
INSERT INTO "phrase" VALUES(9,'puncture/x-1');
INSERT INTO "phrase" VALUES(10,'"set":{"case":,"stop_um":}}');
INSERT INTO "phrase" VALUES(11,'"set":{"stop_um":},"over":{"stop_um":[]}}');
INSERT INTO "phrase" VALUES(12,'coil_placed/k-1');
INSERT INTO "phrase" VALUES(13,'"set":{"puncture":}}');
INSERT INTO "phrase" VALUES(14,'"retract":[],"because":}');
INSERT INTO "phrase" VALUES(15,'tablet-b.ep09');
INSERT INTO "phrase" VALUES(16,'"by":"staff/s-3","tapped_by":"staff/s-3","catalogue":1,');
INSERT INTO "phrase" VALUES(17,'"set":{"stop_um":}}');
INSERT INTO "phrase" VALUES(18,'puncture/x-2');
INSERT INTO "phrase" VALUES(19,'tablet-a.ep02');
INSERT INTO "phrase" VALUES(20,'puncture/x-3');
INSERT INTO "phrase" VALUES(21,'tablet-c.ep05');
INSERT INTO "phrase" VALUES(22,'case/c-9');
INSERT INTO "phrase" VALUES(23,'puncture/x-9');
INSERT INTO "phrase" VALUES(24,'case/c-8');
INSERT INTO "phrase" VALUES(25,'patient/p-9');
INSERT INTO "phrase" VALUES(26,'"by":"staff/s-3","tapped_by":"staff/s-3","catalogue":2,');
INSERT INTO "phrase" VALUES(27,'"set":{"patient":,"stage":,"allergies":[,]}}');
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
  record INTEGER NOT NULL,
  parent INTEGER NOT NULL,
  PRIMARY KEY (record, parent)
) STRICT, WITHOUT ROWID;
INSERT INTO "record_parent" VALUES(7,3);
INSERT INTO "record_parent" VALUES(9,7);
INSERT INTO "record_parent" VALUES(20,7);
INSERT INTO "record_parent" VALUES(24,25);
CREATE TABLE record_state (
  record INTEGER PRIMARY KEY,
  has_conflict INTEGER NOT NULL CHECK (has_conflict IN (0, 1))
) STRICT;
INSERT INTO "record_state" VALUES(3,0);
INSERT INTO "record_state" VALUES(7,0);
INSERT INTO "record_state" VALUES(9,1);
INSERT INTO "record_state" VALUES(12,0);
INSERT INTO "record_state" VALUES(18,0);
INSERT INTO "record_state" VALUES(20,0);
INSERT INTO "record_state" VALUES(24,0);
CREATE TABLE signed_head (
  device TEXT NOT NULL,
  epoch TEXT NOT NULL,
  counter INTEGER NOT NULL,
  hash TEXT NOT NULL,
  signature TEXT NOT NULL,
  PRIMARY KEY (device, epoch, counter, hash, signature)
) STRICT, WITHOUT ROWID;
INSERT INTO "signed_head" VALUES('tablet-b','ep01',3,'0000000000000000000000000000000000000000000000000000000000000003','c2lnbmF0dXJl');
CREATE INDEX dropped_record_by_case ON dropped_record (of_case);
CREATE UNIQUE INDEX operation_by_draft ON operation (draft_id) WHERE draft_id IS NOT NULL;
CREATE INDEX operation_by_record ON operation (record);
CREATE INDEX record_parent_by_parent ON record_parent (parent);
CREATE INDEX record_state_with_conflict ON record_state (record) WHERE has_conflict = 1;
COMMIT;
