BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0005');
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
INSERT INTO "device" VALUES('tablet-a','Tablet A','bedside','68e4d75d23e31bd23f43266f769567b2588d9f3d3010fa7cacae7efd6f5ce0ad',1790000000000,NULL,NULL,NULL);
INSERT INTO "device" VALUES('tablet-b','Name of tablet-b','bedside','1fb497d126f59b0448178d04f0a33ca8ff9460874d90018821d3f5872bd9a735',1790000000000,NULL,NULL,1790000000000);
INSERT INTO "device" VALUES('tablet-c','Name of tablet-c','bedside','7908e999d34f7da8aa441b81bff818a7c89d7dbcb754def7bb3f70744c557b11',1790000000000,NULL,NULL,NULL);
CREATE TABLE device_key (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        key_id TEXT NOT NULL UNIQUE,
        device TEXT NOT NULL,
        public_key BLOB NOT NULL,
        from_epoch TEXT NOT NULL,
        after_seq INTEGER NOT NULL
    ) STRICT
    ;
INSERT INTO "device_key" VALUES(1,'e1b8e51f085e889424ab5949f2785325037f0389fd473f5730c7f9bb3563e115','unit-server',X'3059301306072A8648CE3D020106082A8648CE3D0301070342000497A863ECF12CCCEC33341A17D89CDABE7A14546B51BB92875FB3054BC4B73A32C3EC3E963775814C8ACEBC4C825C1638BC18C79DEB7B326767197CF98DAFD1EB','epoch1',1);
INSERT INTO "device_key" VALUES(2,'943d713a5d1b277faa5f8e01ddc73baa8db903f33f61f2df036c22a6ffac7fe0','tablet-a',X'3059301306072A8648CE3D020106082A8648CE3D030107034200043CF79E678D9B6D4C74CED74AF466A7DA981350E95FB4CB7054A501D6D034F22FD263D90936B901FBEBFC5DB7AD025E43775223D2796AB6A8CEF5481E2BA3FF0B','ep01',1);
CREATE TABLE fact (name TEXT PRIMARY KEY, content TEXT NOT NULL) STRICT;
INSERT INTO "fact" VALUES('generation','generation-1');
INSERT INTO "fact" VALUES('epoch of generation-1','epoch1');
INSERT INTO "fact" VALUES('last stamp','001790000000002.00000.unit-server');
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
INSERT INTO "fork" VALUES('tablet-a','ep01',6,X'49D0313D67361867689B27C91C65A312BDAB289B3B9AC58AEB9F2D562FADAB37',X'032C35640E191AFBA719254976AF6CB48E0FF1E0ED15DDB2FA1F470E9C7E8F5E',1790000000000);
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
INSERT INTO "head_signature" VALUES('unit-server','epoch1',1,X'2BC57610F281D640761B5D6C289AAE95797ACAA623E1A5E649441B683760C586','e1b8e51f085e889424ab5949f2785325037f0389fd473f5730c7f9bb3563e115',X'CCFAFBC25E3178EEC53E9F0696294EB34CEE2779C6CAF1A85796C98D1EEE50FCCC8F0045B2C3B2925F67A6D37C7314794B822F841DCE8C5D3EB17401BAAD0DAA');
INSERT INTO "head_signature" VALUES('tablet-a','ep01',3,X'336D3BBF7637BA001C6F33D5CFAB6ABE79705799038B94C723D44F848CB74DE0','943d713a5d1b277faa5f8e01ddc73baa8db903f33f61f2df036c22a6ffac7fe0',X'C534A672E42D51C6403171B713057B7F3984A2034F0D6776B62EEDA4A21E5F1BA4D465E0771E7A111033757E327CA0B1F6309EFC491469C31FDB0E57BD188C8B');
INSERT INTO "head_signature" VALUES('tablet-a','ep01',6,X'49D0313D67361867689B27C91C65A312BDAB289B3B9AC58AEB9F2D562FADAB37','943d713a5d1b277faa5f8e01ddc73baa8db903f33f61f2df036c22a6ffac7fe0',X'4779CC040B260DFA667356367DE5E1020554AC6E3BE44A92F49852F995E7635813B915244ED4D4EFF50C582981FB7B8563AF5FA944366A2C8FD1F78E7033D820');
INSERT INTO "head_signature" VALUES('tablet-a','ep01',6,X'032C35640E191AFBA719254976AF6CB48E0FF1E0ED15DDB2FA1F470E9C7E8F5E','943d713a5d1b277faa5f8e01ddc73baa8db903f33f61f2df036c22a6ffac7fe0',X'9E13F11A1DB825DBDD7598FA4565C64BD7C4D6A1F6A1EB6FCE49292D51A376B6CB033567C551EAE8ACB0AE5FAFECD6F2A2942D7D1CA252D1618EA270503FBF75');
INSERT INTO "head_signature" VALUES('unit-server','epoch1',2,X'9F1C27EF56D07234D172DAEF709E9C965B33B2EB5672790D5ECFD4118CC14491','e1b8e51f085e889424ab5949f2785325037f0389fd473f5730c7f9bb3563e115',X'80F9548F4EB82014C1891F3C106D7CBB285AB774C6C7FA787CA790F3A00D27EDAEA1302D4FA2290841C70A9728D4F9832B05940720FFE50052801CD9EC2BB167');
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
INSERT INTO "invitation" VALUES('4b4d4670f830fb14d28ba3d71b9b66ee95365009c3a3408809561d7f1b22136f','bedside',1790000600000,1790000000000);
INSERT INTO "invitation" VALUES('c415fca36d004baf7d2ef9578aa49414cce931426ee9e9a36f386f4004bd0f74','bedside',1790000600000,1790000000000);
INSERT INTO "invitation" VALUES('3b459530b2b800a34e77ec900a1e5da457eece7eb0a4a6e43bdb5cabccaef8e1','bedside',1790000600000,1790000000000);
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
INSERT INTO "open_conflict" VALUES('target/t-1','label','target','care',1790000000004,'[{"value":"Varix C","by":"staff/s-1","device":"tablet-b","written_ms":1790000000001,"references":["tablet-b.ep01.1#23f7e8768f4c89a3"]},{"value":"Varix A","by":"staff/s-1","device":"tablet-a","written_ms":1790000000004,"references":["tablet-a.ep01.4#e5b512f1b777f9a7"]}]');
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
INSERT INTO "operation" VALUES(1,'unit-server','epoch1',1,'unit','staff/person1','001790000000001.00000.unit-server',X'',X'8A0E7E5760F8D68B980A44FDE12BD4F1F34D09C2AA2C18247BFF6800EC437AA8',X'2BC57610F281D640761B5D6C289AAE95797ACAA623E1A5E649441B683760C586','{"salt":"00000000000000000000000000000001","by":"staff/person1","tapped_by":"staff/person1","catalogue":3,"set":{"name":"Person 1","role":"assistant","active":true},"because":"added on the unit server"}',1790000000001,0);
INSERT INTO "operation" VALUES(2,'tablet-a','ep01',1,'booking','patient/p-1','001790000000001.00000.tablet-a',X'',X'D797AB077B71466A75F213C2B9A1734F2A8876F8673CA9A818587C99019BF78B',X'C1D78022830D683C34100094548603288481EB0E6D5E59C68C1E3EF375CE61C8','{"salt":"00000000000000000000000000000001","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"family_name":"Sample"}}',1790000000000,0);
INSERT INTO "operation" VALUES(3,'tablet-a','ep01',2,'care','case/c-1','001790000000002.00000.tablet-a',X'C1D78022830D683C34100094548603288481EB0E6D5E59C68C1E3EF375CE61C8',X'12C468F1DEB42546844E0C5D9B1C51A4730E5467CEBB59257C0805E30B58F65F',X'92BF87E2C1DC4370A6FFB27021CD842586EEA484B65455A9A17CD8E6A79F28A5','{"salt":"00000000000000000000000000000002","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"patient":"patient/p-1"}}',1790000000000,0);
INSERT INTO "operation" VALUES(4,'tablet-a','ep01',3,'care','case/c-1','001790000000003.00000.tablet-a',X'92BF87E2C1DC4370A6FFB27021CD842586EEA484B65455A9A17CD8E6A79F28A5',X'0C7AF0D8F9CD107ED66346AC82CF4AC44D4FB3911D9506D821DB0CB195F3837D',X'336D3BBF7637BA001C6F33D5CFAB6ABE79705799038B94C723D44F848CB74DE0','{"salt":"00000000000000000000000000000003","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"plan":{"request":{"targets":[{"label":"Varix A","short_axis_um":8000,"long_axis_um":12000,"measured_distance_um":18000,"origin":"measured"}],"needle":{"gauge":19,"inner_diameter_um":940,"length_um":1700000,"prime_ul":1000,"stop_step_um":1000},"coils_in_stock":[{"id":"stock_item/coil-10-018","loop_um":10000,"wire_um":457,"length_um":120000,"count":4},{"id":"stock_item/coil-10-035","loop_um":10000,"wire_um":889,"length_um":140000,"count":8},{"id":"stock_item/coil-12-035","loop_um":12000,"wire_um":889,"length_um":140000,"count":6},{"id":"stock_item/coil-15-035","loop_um":15000,"wire_um":889,"length_um":140000,"count":6},{"id":"stock_item/coil-18-035","loop_um":18000,"wire_um":889,"length_um":140000,"count":4},{"id":"stock_item/coil-20-035","loop_um":20000,"wire_um":889,"length_um":140000,"count":4},{"id":"stock_item/coil-6-018","loop_um":6000,"wire_um":457,"length_um":70000,"count":6},{"id":"stock_item/coil-6-035","loop_um":6000,"wire_um":889,"length_um":100000,"count":6},{"id":"stock_item/coil-8-018","loop_um":8000,"wire_um":457,"length_um":100000,"count":6},{"id":"stock_item/coil-8-035","loop_um":8000,"wire_um":889,"length_um":140000,"count":8}],"adhesive":{"agent":"2-octyl-cyanoacrylate","parts_adhesive":1,"parts_oil":0,"planned_ul":1000},"shunt":"none","right_to_left_shunt":"no"},"answer":{"targets":[{"label":"Varix A","axis_used":"short","axis_um":8000,"origin":"measured","coils":{"from":1,"to":1,"loop_band_um":[9600,12000],"picks":["stock_item/coil-10-018"],"reason":"in-band","basis":"common-practice","source":"common practice, no source; the published mean with adhesive is 1.4 coils (1 to 4): Bhat 2016, GIE 83:1164"},"volume_ul":402,"third_axis_from":"short-axis","packing_per_mille_from_to":[49,49],"needle_stop_um":16000}],"needle":{"dead_space_ul":1000,"dead_space_from":"measured-prime","passes":{"stock_item/coil-10-018":true,"stock_item/coil-10-035":true,"stock_item/coil-12-035":true,"stock_item/coil-15-035":true,"stock_item/coil-18-035":true,"stock_item/coil-20-035":true,"stock_item/coil-6-018":true,"stock_item/coil-6-035":true,"stock_item/coil-8-018":true,"stock_item/coil-8-035":true}},"adhesive":{"flush_media":["saline"],"basis":"from-memory","source":"Rengstorff and Binmoeller 2004, from memory","pure_ul":1000,"mix_ul":1000,"aliquot_ul":1000,"aliquot_ms":45000,"flush_ul":1000,"leaves_tip_before_flush_ul":0},"cautions":[{"id":"licence","level":"caution","text":"Use of this adhesive here may be outside its licence. Local protocol decides.","basis":"published","source":"Bhat interview 2014"},{"id":"doppler-after-each","level":"note","text":"A starting range: Doppler after each coil decides on the next.","basis":"published","source":"Endosc Int Open 2020, PMC6986946"},{"id":"packing-information","level":"note","text":"Packing is information only, never a target for a varix.","basis":"published","source":"Takao 2014, AJNR 35:721, does not transfer to varices"}],"rule_files":[{"name":"sizing/coil_counts","version":1,"sha256":"b5e47b8860c1688ca7a8cdf9298161a05bbf493ae1a21afa09f22ecc5d2d0ebd"},{"name":"sizing/wire_gauges","version":1,"sha256":"e5a3176f3791e37f3638c846ca4d4e706a01c3f38bc80b2344cfc6ac8a13b913"},{"name":"sizing/limits","version":1,"sha256":"d5e645b92829c439ddef31f6bea4d1367d988b70ee9b0c85c66952b8a556ceee"},{"name":"sizing/flush_media","version":1,"sha256":"bcbf1b9c57939b83a3d6e2d79b7bb33f7fd782e501546b6629edd0efdf4cf9d9"},{"name":"sizing/cautions","version":1,"sha256":"19afb31234da97368c114e657d724db77fcaf9efe36d2290dcaf1ef26f476da0"}]},"protocol":{"name":"sizing/coil_counts","version":1,"sha256":"b5e47b8860c1688ca7a8cdf9298161a05bbf493ae1a21afa09f22ecc5d2d0ebd"}}}}',1790000000000,0);
INSERT INTO "operation" VALUES(5,'tablet-a','ep01',4,'care','target/t-1','001790000000004.00000.tablet-a',X'336D3BBF7637BA001C6F33D5CFAB6ABE79705799038B94C723D44F848CB74DE0',X'68B5D2CDEDFF420F0EE9BACA550E18DA6D0D83AA58535D3A4798647376F3535A',X'E5B512F1B777F9A7E9609223F0DAE4D88E9FAC5941B08478F0778BD16B99FC77','{"salt":"00000000000000000000000000000004","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"case":"case/c-1","label":"Varix A"}}',1790000000000,0);
INSERT INTO "operation" VALUES(6,'tablet-a','ep01',5,'care','puncture/x-1','001790000000005.00000.tablet-a',X'E5B512F1B777F9A7E9609223F0DAE4D88E9FAC5941B08478F0778BD16B99FC77',X'36CA3704F9867661862197E76BF726F959BAA0CC30444F10F805AFDE6175D981',X'C6D5BE8362435FC4C800FAF2F6D6C423C0D5C5C5242E5B766285D5BC2087C690',NULL,1790000000000,1);
INSERT INTO "operation" VALUES(7,'tablet-a','ep01',6,'booking','visit/v-1','001790000000006.00000.tablet-a',X'C6D5BE8362435FC4C800FAF2F6D6C423C0D5C5C5242E5B766285D5BC2087C690',X'5AAA8F49B068F79579ED12893D50AC00F186744DDA0735FE1E36B2E7ED93D777',X'49D0313D67361867689B27C91C65A312BDAB289B3B9AC58AEB9F2D562FADAB37','{"salt":"00000000000000000000000000000006","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"patient":"patient/p-1","label":"3 months"}}',1790000000000,0);
INSERT INTO "operation" VALUES(8,'tablet-b','ep01',1,'care','target/t-1','001790000000001.00000.tablet-b',X'',X'B8A51557ADB591AFD6BEAD5DCC57C5589CA0018E9209363B4757D41BAE3587BC',X'23F7E8768F4C89A34D17E0F2CB3E0302912A87B3F3227D6251E46E9389FB786C','{"salt":"00000000000000000000000000000001","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"label":"Varix C"}}',1790000000000,0);
INSERT INTO "operation" VALUES(9,'tablet-b','ep01',2,'care','case/c-2','001790000000002.00000.tablet-b',X'23F7E8768F4C89A34D17E0F2CB3E0302912A87B3F3227D6251E46E9389FB786C',X'C9A7DC1A6FA9C9AA0774ABDD45A8F11F6D6552CB47A13F3BCDD9DF6FCF24B87C',X'1F07363B92B87AF0B3A28E7C90F77E3DD00423C607A1BE3CEDC3CA0B37019826','{"salt":"00000000000000000000000000000002","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"past_bleeds":2}}',1790000000000,0);
INSERT INTO "operation" VALUES(10,'tablet-b','ep01',3,'care','case/c-2','001790000000003.00000.tablet-b',X'1F07363B92B87AF0B3A28E7C90F77E3DD00423C607A1BE3CEDC3CA0B37019826',X'E5053D112A3FF7482424150897365CC255EC769FF19A6C15DE3A35986F050B3C',X'F385401869F9DC3A59E82142056057521A2881CAE28AC74806FB475DC3C28610',NULL,1790000000000,1);
INSERT INTO "operation" VALUES(11,'tablet-c','ep01',1,'care','case/c-2','001790000000001.00000.tablet-c',X'',X'9DA56508FDF31AAA0CDF4093CCF43CE0C14F79519941B707B83010C7CC7E0F3D',X'ACBD38E71469E7EB93763E0117F39D20D0EF2CC2D1577DC0310735AFB51DE590','{"salt":"00000000000000000000000000000001","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"cause":"viral"}}',1790000000000,0);
INSERT INTO "operation" VALUES(12,'tablet-d','ep01',1,'care','puncture/d-1','001790000000001.00000.tablet-d',X'',X'06852402927E20CDFA2E3A91814F241030AB8A38A5780E100E37E86E7DA6BF52',X'F023F2CD46AF51A1DFEA68EF43F59F8E200687FFE538677671EF142D97EA1A8D','{"salt":"00000000000000000000000000000001","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"stop_um":30000}}',1790000000000,0);
INSERT INTO "operation" VALUES(13,'tablet-d','ep01',2,'care','puncture/d-2','001790000000002.00000.tablet-d',X'F023F2CD46AF51A1DFEA68EF43F59F8E200687FFE538677671EF142D97EA1A8D',X'061C35B5D18C8CE8494E5BDB7C3D2AD9AD25A25740A0C708BF94854B98F4A4F5',X'AB3259A562562A863A4FFB6D6B88EFD2D2D8EE3BC85CA61C35B82FA2A23973AB','{"salt":"00000000000000000000000000000002","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"stop_um":30000}}',1790000000000,0);
INSERT INTO "operation" VALUES(14,'unit-server','epoch1',2,'unit','staff/person2','001790000000002.00000.unit-server',X'2BC57610F281D640761B5D6C289AAE95797ACAA623E1A5E649441B683760C586',X'5E3302C0AF236351D19A8E4084A14036C0EB5DE66F29FE0E3A0A263521C513C5',X'9F1C27EF56D07234D172DAEF709E9C965B33B2EB5672790D5ECFD4118CC14491','{"salt":"00000000000000000000000000000002","by":"staff/person2","tapped_by":"staff/person2","catalogue":3,"set":{"name":"Person 2","role":"endoscopist","active":true},"because":"added on the unit server"}',1790000000002,0);
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
INSERT INTO "plan_check" VALUES('case/c-2',1,'[]');
CREATE TABLE quarantine (
        digest TEXT PRIMARY KEY,
        op_id TEXT NOT NULL,
        envelope TEXT NOT NULL,
        body TEXT,
        sentence TEXT NOT NULL,
        received_ms INTEGER NOT NULL
    ) STRICT
    ;
INSERT INTO "quarantine" VALUES('948ad81ef4a224c02db85d027cbb0fa68fe4b18b4cc3f78fb8b3b346de2009de','tablet-a.ep01.5','{"op_id":"tablet-a.ep01.5","previous":"e5b512f1b777f9a7e9609223f0dae4d88e9fac5941b08478f0778bd16b99fc77","stream":"care","record":"puncture/x-1","stamp":"001790000000005.00000.tablet-a","commitment":"36ca3704f9867661862197e76bf726f959baa0cc30444f10f805afde6175d981"}','{"salt":"00000000000000000000000000000005","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":9,"set":{"case":"case/c-1","stop_um":31000}}','The body of tablet-a.ep01.5 is not the one it commits to. It was changed after it was written: keep the tablet and ask the data manager.',1790000000000);
INSERT INTO "quarantine" VALUES('489a99fee93ba73e17796b411dea9324e5a3da6c97ca4b0afaa4f47e03daaf8a','tablet-a.ep01.6','{"op_id":"tablet-a.ep01.6","previous":"c6d5be8362435fc4c800faf2f6d6c423c0d5c5c5242e5b766285d5bc2087c690","stream":"care","record":"target/t-1","stamp":"001790000000006.00000.tablet-a","commitment":"711f2acbf5c37a2b4e25b15d9083b3f13f5116b4519ad6127d072074180ac529"}','{"salt":"00000000000000000000000000000006","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"label":"Varix B"}}','Two devices wrote as tablet-a: tablet-a.ep01.6 came in two versions. Both are kept; ask the data manager.',1790000000000);
INSERT INTO "quarantine" VALUES('70d7a794d5f96c967168cbb0ff7e2ac3d31ecb3a2860c862874625b72c1cc0a8','tablet-b.ep01.3','{"op_id":"tablet-b.ep01.3","previous":"1f07363b92b87af0b3a28e7c90f77e3dd00423c607a1be3cedc3ca0b37019826","stream":"care","record":"case/c-2","stamp":"001790000000003.00000.tablet-b","commitment":"e5053d112a3ff7482424150897365cc255ec769ff19a6c15de3a35986f050b3c"}','{"salt":"00000000000000000000000000000003","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"past_bleeds":3}}','tablet-b.ep01.3 came after tablet-b was revoked, whatever time it bears. It is kept aside for the data manager.',1790000000000);
CREATE TABLE record_view (
        record TEXT PRIMARY KEY,
        kind TEXT NOT NULL,
        parent TEXT,
        stream TEXT NOT NULL,
        has_conflict INTEGER NOT NULL CHECK (has_conflict IN (0, 1)),
        state TEXT NOT NULL
    ) STRICT
    ;
INSERT INTO "record_view" VALUES('staff/person1','staff',NULL,'unit',0,'["unit-server.epoch1.1#2bc57610f281d640"]');
INSERT INTO "record_view" VALUES('case/c-1','case','patient/p-1','care',0,'["tablet-a.ep01.2#92bf87e2c1dc4370","tablet-a.ep01.3#336d3bbf7637ba00"]');
INSERT INTO "record_view" VALUES('patient/p-1','patient',NULL,'booking',0,'["tablet-a.ep01.1#c1d78022830d683c"]');
INSERT INTO "record_view" VALUES('visit/v-1','visit','patient/p-1','booking',0,'["tablet-a.ep01.6#49d0313d67361867"]');
INSERT INTO "record_view" VALUES('target/t-1','target','case/c-1','care',1,'["tablet-a.ep01.4#e5b512f1b777f9a7","tablet-b.ep01.1#23f7e8768f4c89a3"]');
INSERT INTO "record_view" VALUES('case/c-2','case',NULL,'care',0,'["tablet-b.ep01.2#1f07363b92b87af0","tablet-c.ep01.1#acbd38e71469e7eb"]');
INSERT INTO "record_view" VALUES('puncture/d-1','puncture',NULL,'care',0,'["tablet-d.ep01.1#f023f2cd46af51a1"]');
INSERT INTO "record_view" VALUES('puncture/d-2','puncture',NULL,'care',0,'["tablet-d.ep01.2#ab3259a562562a86"]');
INSERT INTO "record_view" VALUES('staff/person2','staff',NULL,'unit',0,'["unit-server.epoch1.2#9f1c27ef56d07234"]');
CREATE TABLE resupplied_log (
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        counter INTEGER NOT NULL,
        PRIMARY KEY (device, epoch)
    ) STRICT
    ;
INSERT INTO "resupplied_log" VALUES('tablet-d','ep01',2);
CREATE TABLE revoked_log (
        device TEXT NOT NULL,
        epoch TEXT NOT NULL,
        counter INTEGER NOT NULL,
        hash BLOB NOT NULL,
        PRIMARY KEY (device, epoch)
    ) STRICT
    ;
INSERT INTO "revoked_log" VALUES('tablet-b','ep01',2,X'1F07363B92B87AF0B3A28E7C90F77E3DD00423C607A1BE3CEDC3CA0B37019826');
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
INSERT INTO "visit_list" VALUES('visit/v-1','patient/p-1',NULL,'3 months',NULL,NULL,NULL,NULL,NULL,NULL,NULL,0);
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
INSERT INTO "waiting_operation" VALUES('tablet-d','ep01',4,X'D064819C64A9A7819DD7439C411D1AC5C009E531179FC05C0BF5B1B461AACC67','{"op_id":"tablet-d.ep01.4","previous":"b085c29f4702b62830ebaf957cf23b8ce93887755607dfd749ed51ae5e24899a","stream":"care","record":"puncture/d-4","stamp":"001790000000004.00000.tablet-d","commitment":"76ec82984b41e9fadfaadbf49c805677257df8590049aaab8dfae7af28bf4552"}','{"salt":"00000000000000000000000000000004","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":1,"set":{"stop_um":30000}}','tablet-d',1790000000000);
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
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('operation',14);
INSERT INTO "sqlite_sequence" VALUES('device_key',2);
COMMIT;
