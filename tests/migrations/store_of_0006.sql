BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0006');
CREATE TABLE case_list (
        record TEXT PRIMARY KEY,
        patient TEXT,
        stage TEXT,
        opened_at TEXT,
        procedure_on TEXT,
        indication TEXT,
        has_conflict INTEGER NOT NULL CHECK (has_conflict IN (0, 1))
    ) STRICT
    ;
INSERT INTO "case_list" VALUES('case/c-1','patient/p-1',NULL,NULL,NULL,NULL,0);
INSERT INTO "case_list" VALUES('case/c-2',NULL,NULL,NULL,NULL,NULL,0);
INSERT INTO "case_list" VALUES('case/c-3','patient/p-1','closed',NULL,NULL,NULL,0);
CREATE TABLE device (
        id TEXT PRIMARY KEY,
        name TEXT NOT NULL,
        role TEXT NOT NULL,
        token_sha256 TEXT NOT NULL,
        joined_ms INTEGER NOT NULL,
        last_seen_ms INTEGER,
        clock_offset_ms INTEGER,
        revoked_ms INTEGER
    ) STRICT
    ;
INSERT INTO "device" VALUES('tablet-a','Tablet A','bedside','3f08aace122ee2368432c1ca23a049bc640bafbf00fdf33a52429f38ba12dbf9',1790000000000,NULL,NULL,NULL);
INSERT INTO "device" VALUES('tablet-b','Tablet B','bedside','49e2bb7eab54cf09b409ffafd3fa8a8a955a60eb972faacaefbed3dbd3207132',1790000000000,NULL,NULL,NULL);
CREATE TABLE device_key (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        key_id TEXT NOT NULL UNIQUE,
        device TEXT NOT NULL,
        public_key BLOB NOT NULL,
        from_epoch TEXT NOT NULL,
        after_seq INTEGER NOT NULL
    ) STRICT
    ;
INSERT INTO "device_key" VALUES(1,'9838dc573dd57a954d9a3bd23a9cc54473f2e1957920c586c2ccdefdaad0c0e4','unit-server',X'3059301306072A8648CE3D020106082A8648CE3D03010703420004B819CF24CE636247785E05229BE7F94D08D8D0DB3EB85E32EF3C06BF8997F8176A20383861480E2AB444AEFB77220BCB69ABA03177FBA94402358041B2F5BE71','epoch1',6);
INSERT INTO "device_key" VALUES(2,'584477a16b3f80144e2231c6cb09d602eedc8b5c3ddc87fafb5799b9b4259ac4','tablet-b',X'3059301306072A8648CE3D020106082A8648CE3D03010703420004CEEA658B4D2715F4C60C11E2CB6CFEDCC1F1CA0BD46841056464EF7BC8B39C2F37DB962E1CE1C6579D1ABB254577E8923EFFF4CA6BA9DA49219D27A7C1489015','ep01',6);
CREATE TABLE fact (name TEXT PRIMARY KEY, content TEXT NOT NULL) STRICT;
INSERT INTO "fact" VALUES('generation','generation-1');
INSERT INTO "fact" VALUES('epoch of generation-1','epoch1');
INSERT INTO "fact" VALUES('last stamp','001790000000000.00000.unit-server');
CREATE TABLE fork (
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        counter INTEGER NOT NULL,
        held_hash BLOB NOT NULL,
        other_hash BLOB NOT NULL,
        noted_ms INTEGER NOT NULL,
        PRIMARY KEY (device, epoch)
    ) STRICT
    ;
INSERT INTO "fork" VALUES('tablet-b','ep01',4,X'354B6F349E8ABF2CDBED2B1D7F90960A494E72924722E3AAFF71EC956A7799C7',X'EDADCBFA1491D5035F3DDE1E597297EE7B53C1399535A1FF5739B235584CEEA7',1790000000009);
CREATE TABLE head_signature (
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        counter INTEGER NOT NULL,
        hash BLOB NOT NULL,
        key_id TEXT NOT NULL,
        signature BLOB NOT NULL,
        PRIMARY KEY (device, epoch, counter, hash, key_id)
    ) STRICT
    ;
INSERT INTO "head_signature" VALUES('unit-server','epoch1',1,X'BB077ADDFF4603664A7702CAF6808F622B3F52F06538785807EA5ECB8FED41E3','9838dc573dd57a954d9a3bd23a9cc54473f2e1957920c586c2ccdefdaad0c0e4',X'727864992B5F884A420B39291ED5B2B73597A8EC959F30060B7E94052F7007B5854E7523AD63CA41154ADE6ADB89995D8E1C6315EBE5019803CF8AC5A49B2991');
INSERT INTO "head_signature" VALUES('tablet-b','ep01',3,X'48B3F7AC67418D3E606511E8DF46D3C3498266C1305ED4E6240706D6D7E9AD08','584477a16b3f80144e2231c6cb09d602eedc8b5c3ddc87fafb5799b9b4259ac4',X'A638853A3EA67728915B73224DFD30414EF49330F1B5A6687C8FFFE28662C52855D662AD5C02B0873A4938B7346507EEC3205F0096DDA3D97D5506949AAB56B2');
INSERT INTO "head_signature" VALUES('tablet-b','ep01',5,X'9B86D24B706D0025E45153795D04DFBEE0DF9BE7A373D3CFA759AD5737FAC13E','584477a16b3f80144e2231c6cb09d602eedc8b5c3ddc87fafb5799b9b4259ac4',X'49E074E4ECFD1C05A678F2F5745F12C78ECCDDBFD5C161AD309BE3DBE1B5E1EE8EF77EABA8A13C4A9E4A16674CD79B743A1847D34D231D7DC42F0E1B74EFE6CE');
INSERT INTO "head_signature" VALUES('tablet-b','ep01',4,X'EDADCBFA1491D5035F3DDE1E597297EE7B53C1399535A1FF5739B235584CEEA7','584477a16b3f80144e2231c6cb09d602eedc8b5c3ddc87fafb5799b9b4259ac4',X'06D1D7FFF4A8429F7B14B73EFF7EAACDE35A899BB478907E11ADC553C9E087DE40347FAF859B25BFB6C9A1A0D8CCE60CE1B497AFFFEBADBC1C2D47A26020E403');
INSERT INTO "head_signature" VALUES('tablet-b','ep02',1,X'3D31A61E73FA06545DB4B39335870FD2FFF0D084C0E62FBCA970E9794956AF8F','584477a16b3f80144e2231c6cb09d602eedc8b5c3ddc87fafb5799b9b4259ac4',X'4570A482F4B256FEC92F8188B1ED9F1E75BD1B623B409837329D23CC146CDDA879C6112226109960CEFE60AAC2B4F1D11FE3FA7482EBB529BD7CC2AAFA2C2958');
CREATE TABLE implant (
        record TEXT NOT NULL,
        place INTEGER NOT NULL,
        kind TEXT NOT NULL,
        of_case TEXT,
        target TEXT,
        slot INTEGER,
        written_ms INTEGER NOT NULL,
        identifier TEXT,
        lot TEXT,
        lot_unknown INTEGER NOT NULL CHECK (lot_unknown IN (0, 1)),
        serial TEXT,
        expires_on TEXT,
        PRIMARY KEY (record, place)
    ) WITHOUT ROWID, STRICT
    ;
CREATE TABLE invitation (
        code_sha256 TEXT PRIMARY KEY,
        role TEXT NOT NULL,
        expires_ms INTEGER NOT NULL,
        used_ms INTEGER
    ) STRICT
    ;
CREATE TABLE open_conflict (
        record TEXT NOT NULL,
        field TEXT NOT NULL,
        kind TEXT NOT NULL,
        stream TEXT NOT NULL,
        open_since_ms INTEGER NOT NULL,
        answers TEXT NOT NULL,
        PRIMARY KEY (record, field)
    ) WITHOUT ROWID, STRICT
    ;
INSERT INTO "open_conflict" VALUES('puncture/p-1','stop_um','puncture','care',1790000000003,'[{"value":1000,"by":"staff/s-1","device":"tablet-c","written_ms":1790000000001,"references":["tablet-c.ep01.1#899e18d7566f40d5"]},{"value":3000,"by":"staff/s-1","device":"tablet-c","written_ms":1790000000003,"references":["tablet-c.ep01.3#17c9d2496f2cb684"]}]');
CREATE TABLE operation (
        seq INTEGER PRIMARY KEY AUTOINCREMENT,
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        counter INTEGER NOT NULL,
        stream TEXT NOT NULL,
        record TEXT NOT NULL,
        stamp TEXT NOT NULL,
        previous BLOB NOT NULL,
        commitment BLOB NOT NULL,
        hash BLOB NOT NULL,
        body TEXT,
        received_ms INTEGER NOT NULL,
        is_quarantined INTEGER NOT NULL CHECK (is_quarantined IN (0, 1)),
        UNIQUE (device, epoch, counter)
    ) STRICT
    ;
INSERT INTO "operation" VALUES(1,'tablet-a','ep01',1,'booking','patient/p-1','001790000000001.00000.tablet-a',X'',X'D797AB077B71466A75F213C2B9A1734F2A8876F8673CA9A818587C99019BF78B',X'C1D78022830D683C34100094548603288481EB0E6D5E59C68C1E3EF375CE61C8','{"salt":"00000000000000000000000000000001","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"family_name":"Sample"}}',1790000000000,0);
INSERT INTO "operation" VALUES(2,'tablet-a','ep01',2,'care','case/c-1','001790000000002.00000.tablet-a',X'C1D78022830D683C34100094548603288481EB0E6D5E59C68C1E3EF375CE61C8',X'12C468F1DEB42546844E0C5D9B1C51A4730E5467CEBB59257C0805E30B58F65F',X'92BF87E2C1DC4370A6FFB27021CD842586EEA484B65455A9A17CD8E6A79F28A5','{"salt":"00000000000000000000000000000002","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"patient":"patient/p-1"}}',1790000000000,0);
INSERT INTO "operation" VALUES(3,'tablet-a','ep01',3,'care','case/c-1','001790000000003.00000.tablet-a',X'92BF87E2C1DC4370A6FFB27021CD842586EEA484B65455A9A17CD8E6A79F28A5',X'0C7AF0D8F9CD107ED66346AC82CF4AC44D4FB3911D9506D821DB0CB195F3837D',X'336D3BBF7637BA001C6F33D5CFAB6ABE79705799038B94C723D44F848CB74DE0','{"salt":"00000000000000000000000000000003","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"plan":{"request":{"targets":[{"label":"Varix A","short_axis_um":8000,"long_axis_um":12000,"measured_distance_um":18000,"origin":"measured"}],"needle":{"gauge":19,"inner_diameter_um":940,"length_um":1700000,"prime_ul":1000,"stop_step_um":1000},"coils_in_stock":[{"id":"stock_item/coil-10-018","loop_um":10000,"wire_um":457,"length_um":120000,"count":4},{"id":"stock_item/coil-10-035","loop_um":10000,"wire_um":889,"length_um":140000,"count":8},{"id":"stock_item/coil-12-035","loop_um":12000,"wire_um":889,"length_um":140000,"count":6},{"id":"stock_item/coil-15-035","loop_um":15000,"wire_um":889,"length_um":140000,"count":6},{"id":"stock_item/coil-18-035","loop_um":18000,"wire_um":889,"length_um":140000,"count":4},{"id":"stock_item/coil-20-035","loop_um":20000,"wire_um":889,"length_um":140000,"count":4},{"id":"stock_item/coil-6-018","loop_um":6000,"wire_um":457,"length_um":70000,"count":6},{"id":"stock_item/coil-6-035","loop_um":6000,"wire_um":889,"length_um":100000,"count":6},{"id":"stock_item/coil-8-018","loop_um":8000,"wire_um":457,"length_um":100000,"count":6},{"id":"stock_item/coil-8-035","loop_um":8000,"wire_um":889,"length_um":140000,"count":8}],"adhesive":{"agent":"2-octyl-cyanoacrylate","parts_adhesive":1,"parts_oil":0,"planned_ul":1000},"shunt":"none","right_to_left_shunt":"no"},"answer":{"targets":[{"label":"Varix A","axis_used":"short","axis_um":8000,"origin":"measured","coils":{"from":1,"to":1,"loop_band_um":[9600,12000],"picks":["stock_item/coil-10-018"],"reason":"in-band","basis":"common-practice","source":"common practice, no source; the published mean with adhesive is 1.4 coils (1 to 4): Bhat 2016, GIE 83:1164"},"volume_ul":402,"third_axis_from":"short-axis","packing_per_mille_from_to":[49,49],"needle_stop_um":16000}],"needle":{"dead_space_ul":1000,"dead_space_from":"measured-prime","passes":{"stock_item/coil-10-018":true,"stock_item/coil-10-035":true,"stock_item/coil-12-035":true,"stock_item/coil-15-035":true,"stock_item/coil-18-035":true,"stock_item/coil-20-035":true,"stock_item/coil-6-018":true,"stock_item/coil-6-035":true,"stock_item/coil-8-018":true,"stock_item/coil-8-035":true}},"adhesive":{"flush_media":["saline"],"basis":"from-memory","source":"Rengstorff and Binmoeller 2004, from memory","pure_ul":1000,"mix_ul":1000,"aliquot_ul":1000,"aliquot_ms":45000,"flush_ul":1000,"leaves_tip_before_flush_ul":0},"cautions":[{"id":"licence","level":"caution","text":"Use of this adhesive here may be outside its licence. Local protocol decides.","basis":"published","source":"Bhat interview 2014"},{"id":"doppler-after-each","level":"note","text":"A starting range: Doppler after each coil decides on the next.","basis":"published","source":"Endosc Int Open 2020, PMC6986946"},{"id":"packing-information","level":"note","text":"Packing is information only, never a target for a varix.","basis":"published","source":"Takao 2014, AJNR 35:721, does not transfer to varices"}],"rule_files":[{"name":"sizing/coil_counts","version":1,"sha256":"b5e47b8860c1688ca7a8cdf9298161a05bbf493ae1a21afa09f22ecc5d2d0ebd"},{"name":"sizing/wire_gauges","version":1,"sha256":"e5a3176f3791e37f3638c846ca4d4e706a01c3f38bc80b2344cfc6ac8a13b913"},{"name":"sizing/limits","version":1,"sha256":"d5e645b92829c439ddef31f6bea4d1367d988b70ee9b0c85c66952b8a556ceee"},{"name":"sizing/flush_media","version":1,"sha256":"bcbf1b9c57939b83a3d6e2d79b7bb33f7fd782e501546b6629edd0efdf4cf9d9"},{"name":"sizing/cautions","version":1,"sha256":"19afb31234da97368c114e657d724db77fcaf9efe36d2290dcaf1ef26f476da0"}]},"protocol":{"name":"sizing/coil_counts","version":1,"sha256":"b5e47b8860c1688ca7a8cdf9298161a05bbf493ae1a21afa09f22ecc5d2d0ebd"}}}}',1790000000000,0);
INSERT INTO "operation" VALUES(4,'tablet-a','ep01',4,'care','case/c-2','001790000000004.00000.tablet-a',X'336D3BBF7637BA001C6F33D5CFAB6ABE79705799038B94C723D44F848CB74DE0',X'914F17A407C1C947ECD30398334C90C351CF62C44B4F2FA16DBE1E88246BE42D',X'E9D5D6CAB41056355B44F48729DC20732AED5CE91DE5069C6F238E71B529C77C','{"salt":"00000000000000000000000000000004","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"past_bleeds":2}}',1790000000000,0);
INSERT INTO "operation" VALUES(5,'tablet-a','ep01',5,'care','puncture/x-1','001790000000005.00000.tablet-a',X'E9D5D6CAB41056355B44F48729DC20732AED5CE91DE5069C6F238E71B529C77C',X'E1B0827BA6B472EBA45FA4FCEA1BBE83461F3AB175947F1B7CB9F3664559D0E2',X'016B57A7B7B3707AA50741354104A90BA30E80B6ECE30EEBD49B2417C143A6E1',NULL,1790000000000,1);
INSERT INTO "operation" VALUES(6,'unit-server','epoch1',1,'unit','staff/person1','001790000000000.00000.unit-server',X'',X'9948BB50AA6AF949D2EFD38C45EC7778E4A3877297DD0416824A04B2BD5F4240',X'BB077ADDFF4603664A7702CAF6808F622B3F52F06538785807EA5ECB8FED41E3','{"salt":"00000000000000000000000000000001","by":"staff/person1","tapped_by":"staff/person1","catalogue":3,"set":{"name":"Juno Marrowby","role":"assistant","active":true},"because":"added on the unit server"}',1790000000000,0);
INSERT INTO "operation" VALUES(7,'tablet-b','ep01',1,'care','case/c-3','001790000000001.00000.tablet-b',X'',X'774FBB00FB098FDEB808B3F46BAB9B168BDD5BBDAED85E5310EEFE644A2B35CC',X'A8B3DD78575F09DE8900E159B870DF23F0574AF825B6CA19A4EA97CE962E86FD','{"salt":"00000000000000000000000000000001","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"patient":"patient/p-1","stage":"workup"}}',1790000000009,0);
INSERT INTO "operation" VALUES(8,'tablet-b','ep01',2,'care','case/c-3','001790000000002.00000.tablet-b',X'A8B3DD78575F09DE8900E159B870DF23F0574AF825B6CA19A4EA97CE962E86FD',X'082777F2AD1197632C925151E1E00C618B304A559B3388882A60873EA913F801',X'C25DDB4C47ECC682AFD4C7ED30226CC2112203158E0F0689C6E0F53F8F36F124','{"salt":"00000000000000000000000000000002","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"stage":"in-procedure"},"over":{"stage":["tablet-b.ep01.1#a8b3dd78575f09de"]}}',1790000000009,0);
INSERT INTO "operation" VALUES(9,'tablet-b','ep01',3,'care','remark/r-1','001790000000003.00000.tablet-b',X'C25DDB4C47ECC682AFD4C7ED30226CC2112203158E0F0689C6E0F53F8F36F124',X'CA19FCFF19EA46DD3D7AADA1B7A4492A5F4421501605509130BF62BC82A5D8A0',X'48B3F7AC67418D3E606511E8DF46D3C3498266C1305ED4E6240706D6D7E9AD08','{"salt":"00000000000000000000000000000003","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"text":"Größe 8 mm, „läuft“\n\t  ✓ xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx","case":"case/c-3","about":"case/c-3"}}',1790000000009,0);
INSERT INTO "operation" VALUES(10,'tablet-b','ep01',4,'care','case/c-3','999999999999999.99999.tablet-b',X'48B3F7AC67418D3E606511E8DF46D3C3498266C1305ED4E6240706D6D7E9AD08',X'A4268454BA28424CADF1C363E27E93EBB27C1F3EFA1098D881A73AD226419132',X'354B6F349E8ABF2CDBED2B1D7F90960A494E72924722E3AAFF71EC956A7799C7','{"salt":"0000000000000000000000000000000a","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":2,"retract":["tablet-b.ep01.2#c25ddb4c47ecc682"],"because":"wrong case"}',1790000000009,0);
INSERT INTO "operation" VALUES(11,'tablet-b','ep01',5,'care','new_kind/n-1','001790000000009.00007.tablet-b',X'354B6F349E8ABF2CDBED2B1D7F90960A494E72924722E3AAFF71EC956A7799C7',X'A6157F81A39853F82B035600C26DFD6F64F436C7A8366FFE88D837CC5F94F8F9',X'9B86D24B706D0025E45153795D04DFBEE0DF9BE7A373D3CFA759AD5737FAC13E','{"salt":"0000000000000000000000000000000b","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":9,"set":{"new_field":[1,{"deep":null}]}}',1790000000009,0);
INSERT INTO "operation" VALUES(12,'tablet-b','ep02',1,'care','case/c-3','001790000000010.00000.tablet-b',X'',X'E7EF94A8BF94A0BFB6230D49A27386CD710803E6D2D468A9E5CEF63FEEFCC774',X'3D31A61E73FA06545DB4B39335870FD2FFF0D084C0E62FBCA970E9794956AF8F','{"salt":"0000000000000000000000000000000c","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":2,"set":{"stage":"closed"},"again":"tablet-b.ep01.4#edadcbfa1491d503"}',1790000000009,0);
INSERT INTO "operation" VALUES(13,'tablet-c','ep01',1,'care','puncture/p-1','001790000000001.00000.tablet-c',X'',X'79C84797A5FE5EF934B04511C43E0454BBD2090AB5578B73EB17882B45B17FB8',X'899E18D7566F40D57BF9EC71D416D59F87F36571DA81D46BF314972D19E49BA7','{"salt":"00000000000000000000000000000001","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"stop_um":1000,"case":"case/c-3"}}',1790000000009,0);
INSERT INTO "operation" VALUES(14,'tablet-c','ep01',2,'care','puncture/p-1','001790000000002.00000.tablet-c',X'899E18D7566F40D57BF9EC71D416D59F87F36571DA81D46BF314972D19E49BA7',X'0D4FD5F7CB9C98A29C2BFB2A6E2CE786F87FD50A51B2B0EC956CE167AC9E96DD',X'A9C8B05F7477B71E7B055D2660996D91F735AB455A33480467E17D0E74EC36A0',NULL,1790000000009,1);
INSERT INTO "operation" VALUES(15,'tablet-c','ep01',3,'care','puncture/p-1','001790000000003.00000.tablet-c',X'A9C8B05F7477B71E7B055D2660996D91F735AB455A33480467E17D0E74EC36A0',X'A211E4B73B0B886A6C4822E761C26D4779249ED26CA3DB664CEB02A795AC283D',X'17C9D2496F2CB6848CEA2478D032E6B40999EE8A248A3130CEC5FB05D8A41375','{"salt":"00000000000000000000000000000003","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"stop_um":3000,"case":"case/c-3"}}',1790000000009,0);
CREATE TABLE patient_list (
        record TEXT PRIMARY KEY,
        family_name TEXT,
        given_name TEXT,
        born_on TEXT,
        sex TEXT,
        local_id TEXT
    ) STRICT
    ;
INSERT INTO "patient_list" VALUES('patient/p-1','Sample',NULL,NULL,NULL,NULL);
CREATE TABLE plan_check (
        record TEXT PRIMARY KEY,
        is_waiting INTEGER NOT NULL CHECK (is_waiting IN (0, 1)),
        checks TEXT NOT NULL
    ) STRICT
    ;
INSERT INTO "plan_check" VALUES('case/c-1',0,'[{"record":"case/c-1","references":["tablet-a.ep01.3#336d3bbf7637ba00"],"labels":["Varix A"],"by":"staff/s-1","stamp":"001790000000003.00000.tablet-a","verdict":"agrees","sentence":"","differences":[],"left_out":0}]');
INSERT INTO "plan_check" VALUES('case/c-2',0,'[]');
INSERT INTO "plan_check" VALUES('case/c-3',1,'[]');
CREATE TABLE quarantine (
        digest TEXT PRIMARY KEY,
        op_id TEXT NOT NULL,
        envelope TEXT NOT NULL,
        body TEXT,
        sentence TEXT NOT NULL,
        received_ms INTEGER NOT NULL
    ) STRICT
    ;
INSERT INTO "quarantine" VALUES('5faf3231f06bfa53df107b2aa7faa93375a094e8e88c7f9046387347aa9bd2de','tablet-a.ep01.5','{"op_id":"tablet-a.ep01.5","previous":"e9d5d6cab41056355b44f48729dc20732aed5ce91de5069c6f238e71b529c77c","stream":"care","record":"puncture/x-1","stamp":"001790000000005.00000.tablet-a","commitment":"e1b0827ba6b472eba45fa4fcea1bbe83461f3ab175947f1b7cb9f3664559d0e2"}','{"salt":"00000000000000000000000000000005","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":9,"set":{"stop_um":30000}}','The body of tablet-a.ep01.5 is not the one it commits to. It was changed after it was written: keep the tablet and ask the data manager.',1790000000000);
INSERT INTO "quarantine" VALUES('2d0fd0b66b749d4d4cceade2c551b00a8adfe62f38a4c0367ce0b53415a78846','tablet-b.ep01.4','{"op_id":"tablet-b.ep01.4","previous":"48b3f7ac67418d3e606511e8df46d3c3498266c1305ed4e6240706d6d7e9ad08","stream":"care","record":"case/c-3","stamp":"001790000000010.00000.tablet-b","commitment":"c684addbfeac23aa0252fd589fc42bdb1051df2776395840601b5b9a4439c007"}','{"salt":"0000000000000000000000000000000c","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":2,"set":{"stage":"closed"}}','Two devices wrote as tablet-b: tablet-b.ep01.4 came in two versions. Both are kept; ask the data manager.',1790000000009);
INSERT INTO "quarantine" VALUES('1d26721ade935ce7f9f19bd7964f6aa8d194b6a7803c9ae5fabfe8cfea15901c','tablet-c.ep01.2','{"op_id":"tablet-c.ep01.2","previous":"899e18d7566f40d57bf9ec71d416d59f87f36571da81d46bf314972d19e49ba7","stream":"care","record":"puncture/p-1","stamp":"001790000000002.00000.tablet-c","commitment":"0d4fd5f7cb9c98a29c2bfb2a6e2ce786f87fd50a51b2b0ec956ce167ac9e96dd"}','{"salt":"00000000000000000000000000000002","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"stop_um":2001,"case":"case/c-3"}}','The body of tablet-c.ep01.2 is not the one it commits to. It was changed after it was written: keep the tablet and ask the data manager.',1790000000009);
CREATE TABLE record_view (
        record TEXT PRIMARY KEY,
        kind TEXT NOT NULL,
        parent TEXT,
        stream TEXT NOT NULL,
        has_conflict INTEGER NOT NULL CHECK (has_conflict IN (0, 1)),
        state TEXT NOT NULL
    ) STRICT
    ;
INSERT INTO "record_view" VALUES('case/c-1','case','patient/p-1','care',0,'["tablet-a.ep01.2#92bf87e2c1dc4370","tablet-a.ep01.3#336d3bbf7637ba00"]');
INSERT INTO "record_view" VALUES('case/c-2','case',NULL,'care',0,'["tablet-a.ep01.4#e9d5d6cab4105635"]');
INSERT INTO "record_view" VALUES('patient/p-1','patient',NULL,'booking',0,'["tablet-a.ep01.1#c1d78022830d683c"]');
INSERT INTO "record_view" VALUES('staff/person1','staff',NULL,'unit',0,'["unit-server.epoch1.1#bb077addff460366"]');
INSERT INTO "record_view" VALUES('remark/r-1','remark',NULL,'care',0,'["tablet-b.ep01.3#48b3f7ac67418d3e"]');
INSERT INTO "record_view" VALUES('new_kind/n-1','new_kind',NULL,'care',0,'["tablet-b.ep01.5#9b86d24b706d0025"]');
INSERT INTO "record_view" VALUES('case/c-3','case','patient/p-1','care',0,'["tablet-b.ep01.1#a8b3dd78575f09de","tablet-b.ep01.4#edadcbfa1491d503"]');
INSERT INTO "record_view" VALUES('puncture/p-1','puncture','case/c-3','care',1,'["tablet-c.ep01.1#899e18d7566f40d5","tablet-c.ep01.3#17c9d2496f2cb684"]');
CREATE TABLE resupplied_log (
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        counter INTEGER NOT NULL,
        PRIMARY KEY (device, epoch)
    ) STRICT
    ;
CREATE TABLE revoked_log (
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        counter INTEGER NOT NULL,
        hash BLOB NOT NULL,
        PRIMARY KEY (device, epoch)
    ) STRICT
    ;
CREATE TABLE segment (
        digest TEXT PRIMARY KEY,
        stream TEXT NOT NULL,
        first_seq INTEGER NOT NULL,
        last_seq INTEGER NOT NULL,
        operations INTEGER NOT NULL,
        content BLOB NOT NULL,
        signature BLOB NOT NULL
    ) STRICT
    ;
CREATE TABLE visit_list (
        record TEXT PRIMARY KEY,
        patient TEXT,
        of_case TEXT,
        label TEXT,
        status TEXT,
        earliest_on TEXT,
        target_on TEXT,
        latest_on TEXT,
        session TEXT,
        booked_on TEXT,
        owner_role TEXT,
        has_conflict INTEGER NOT NULL CHECK (has_conflict IN (0, 1))
    ) STRICT
    ;
CREATE TABLE waiting_operation (
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        counter INTEGER NOT NULL,
        hash BLOB NOT NULL,
        envelope TEXT NOT NULL,
        body TEXT NOT NULL,
        supplied_by TEXT NOT NULL,
        received_ms INTEGER NOT NULL,
        PRIMARY KEY (device, epoch, counter, hash)
    ) STRICT
    ;
INSERT INTO "waiting_operation" VALUES('tablet-d','ep01',3,X'AF8A0286B955B7FC2215C1356C4DD8195B20D5383653F8A6CFA49EBFA9937A5D','{"op_id":"tablet-d.ep01.3","previous":"db5bcb164f01e620c415e7b05a08e3d19a19c985ca39b037ba0cb40203fcabd1","stream":"care","record":"puncture/p-9","stamp":"001790000000003.00000.tablet-d","commitment":"46f8b872db9cf1df686df9d921240086086e322402319d6fa49cd12a22ad6aba"}','{"salt":"00000000000000000000000000000003","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"stop_um":30000}}','tablet-b',1790000000000);
CREATE INDEX operation_by_stream ON operation (stream, seq);
CREATE INDEX operation_by_record ON operation (record);
CREATE INDEX quarantine_by_envelope ON quarantine (envelope);
CREATE INDEX record_view_by_kind ON record_view (kind, parent);
CREATE UNIQUE INDEX device_by_token ON device (token_sha256);
CREATE INDEX record_view_by_parent ON record_view (parent) WHERE parent IS NOT NULL;
CREATE INDEX case_list_by_day ON case_list (procedure_on);
CREATE INDEX visit_list_by_day ON visit_list (status, latest_on);
CREATE INDEX implant_by_lot ON implant (lot) WHERE lot IS NOT NULL;
CREATE INDEX implant_by_serial ON implant (serial) WHERE serial IS NOT NULL;
CREATE INDEX implant_by_identifier ON implant (identifier) WHERE identifier IS NOT NULL;
CREATE INDEX implant_by_target ON implant (target, written_ms) WHERE target IS NOT NULL;
CREATE UNIQUE INDEX segment_by_stream ON segment (stream, last_seq);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('operation',15);
INSERT INTO "sqlite_sequence" VALUES('device_key',2);
COMMIT;
