BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0002');
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
CREATE TABLE fact (name TEXT PRIMARY KEY, content TEXT NOT NULL) STRICT;
INSERT INTO "fact" VALUES('generation','generation-1');
CREATE TABLE invitation (
        code_sha256 TEXT PRIMARY KEY,
        role TEXT NOT NULL,
        expires_ms INTEGER NOT NULL,
        used_ms INTEGER
    ) STRICT
    ;
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
INSERT INTO "quarantine" VALUES('5faf3231f06bfa53df107b2aa7faa93375a094e8e88c7f9046387347aa9bd2de','tablet-a.ep01.5','{"op_id":"tablet-a.ep01.5","previous":"e9d5d6cab41056355b44f48729dc20732aed5ce91de5069c6f238e71b529c77c","stream":"care","record":"puncture/x-1","stamp":"001790000000005.00000.tablet-a","commitment":"e1b0827ba6b472eba45fa4fcea1bbe83461f3ab175947f1b7cb9f3664559d0e2"}','{"salt":"00000000000000000000000000000005","by":"staff/s-1","tapped_by":"staff/s-1","catalogue":9,"set":{"stop_um":30000}}','The body of tablet-a.ep01.5 is not the one it commits to. It was changed after it was written: keep the tablet and ask the data manager.',1790000000000);
CREATE TABLE record_view (
        record TEXT PRIMARY KEY,
        kind TEXT NOT NULL,
        parent TEXT,
        stream TEXT NOT NULL,
        has_conflict INTEGER NOT NULL CHECK (has_conflict IN (0, 1)),
        state TEXT NOT NULL
    ) STRICT
    ;
INSERT INTO "record_view" VALUES('case/c-1','case','patient/p-1','care',0,'{"record":"case/c-1","fields":{"patient":{"values":[{"value":"patient/p-1","references":["tablet-a.ep01.2#92bf87e2c1dc4370"],"by":"staff/s-1","stamp":"001790000000002.00000.tablet-a"}],"is_conflict":false},"plan":{"values":[{"value":{"request":{"targets":[{"label":"Varix A","short_axis_um":8000,"long_axis_um":12000,"measured_distance_um":18000,"origin":"measured"}],"needle":{"gauge":19,"inner_diameter_um":940,"length_um":1700000,"prime_ul":1000,"stop_step_um":1000},"coils_in_stock":[{"id":"stock_item/coil-10-018","loop_um":10000,"wire_um":457,"length_um":120000,"count":4},{"id":"stock_item/coil-10-035","loop_um":10000,"wire_um":889,"length_um":140000,"count":8},{"id":"stock_item/coil-12-035","loop_um":12000,"wire_um":889,"length_um":140000,"count":6},{"id":"stock_item/coil-15-035","loop_um":15000,"wire_um":889,"length_um":140000,"count":6},{"id":"stock_item/coil-18-035","loop_um":18000,"wire_um":889,"length_um":140000,"count":4},{"id":"stock_item/coil-20-035","loop_um":20000,"wire_um":889,"length_um":140000,"count":4},{"id":"stock_item/coil-6-018","loop_um":6000,"wire_um":457,"length_um":70000,"count":6},{"id":"stock_item/coil-6-035","loop_um":6000,"wire_um":889,"length_um":100000,"count":6},{"id":"stock_item/coil-8-018","loop_um":8000,"wire_um":457,"length_um":100000,"count":6},{"id":"stock_item/coil-8-035","loop_um":8000,"wire_um":889,"length_um":140000,"count":8}],"adhesive":{"agent":"2-octyl-cyanoacrylate","parts_adhesive":1,"parts_oil":0,"planned_ul":1000},"shunt":"none","right_to_left_shunt":"no"},"answer":{"targets":[{"label":"Varix A","axis_used":"short","axis_um":8000,"origin":"measured","coils":{"from":1,"to":1,"loop_band_um":[9600,12000],"picks":["stock_item/coil-10-018"],"reason":"in-band","basis":"common-practice","source":"common practice, no source; the published mean with adhesive is 1.4 coils (1 to 4): Bhat 2016, GIE 83:1164"},"volume_ul":402,"third_axis_from":"short-axis","packing_per_mille_from_to":[49,49],"needle_stop_um":16000}],"needle":{"dead_space_ul":1000,"dead_space_from":"measured-prime","passes":{"stock_item/coil-10-018":true,"stock_item/coil-10-035":true,"stock_item/coil-12-035":true,"stock_item/coil-15-035":true,"stock_item/coil-18-035":true,"stock_item/coil-20-035":true,"stock_item/coil-6-018":true,"stock_item/coil-6-035":true,"stock_item/coil-8-018":true,"stock_item/coil-8-035":true}},"adhesive":{"flush_media":["saline"],"basis":"from-memory","source":"Rengstorff and Binmoeller 2004, from memory","pure_ul":1000,"mix_ul":1000,"aliquot_ul":1000,"aliquot_ms":45000,"flush_ul":1000,"leaves_tip_before_flush_ul":0},"cautions":[{"id":"licence","level":"caution","text":"Use of this adhesive here may be outside its licence. Local protocol decides.","basis":"published","source":"Bhat interview 2014"},{"id":"doppler-after-each","level":"note","text":"A starting range: Doppler after each coil decides on the next.","basis":"published","source":"Endosc Int Open 2020, PMC6986946"},{"id":"packing-information","level":"note","text":"Packing is information only, never a target for a varix.","basis":"published","source":"Takao 2014, AJNR 35:721, does not transfer to varices"}],"rule_files":[{"name":"sizing/coil_counts","version":1,"sha256":"b5e47b8860c1688ca7a8cdf9298161a05bbf493ae1a21afa09f22ecc5d2d0ebd"},{"name":"sizing/wire_gauges","version":1,"sha256":"e5a3176f3791e37f3638c846ca4d4e706a01c3f38bc80b2344cfc6ac8a13b913"},{"name":"sizing/limits","version":1,"sha256":"d5e645b92829c439ddef31f6bea4d1367d988b70ee9b0c85c66952b8a556ceee"},{"name":"sizing/flush_media","version":1,"sha256":"bcbf1b9c57939b83a3d6e2d79b7bb33f7fd782e501546b6629edd0efdf4cf9d9"},{"name":"sizing/cautions","version":1,"sha256":"19afb31234da97368c114e657d724db77fcaf9efe36d2290dcaf1ef26f476da0"}]},"protocol":{"name":"sizing/coil_counts","version":1,"sha256":"b5e47b8860c1688ca7a8cdf9298161a05bbf493ae1a21afa09f22ecc5d2d0ebd"}},"references":["tablet-a.ep01.3#336d3bbf7637ba00"],"by":"staff/s-1","stamp":"001790000000003.00000.tablet-a"}],"is_conflict":false}},"struck":[],"is_entered_in_error":false,"heads":["tablet-a.ep01.2#92bf87e2c1dc4370","tablet-a.ep01.3#336d3bbf7637ba00"]}');
INSERT INTO "record_view" VALUES('case/c-2','case',NULL,'care',0,'{"record":"case/c-2","fields":{"past_bleeds":{"values":[{"value":2,"references":["tablet-a.ep01.4#e9d5d6cab4105635"],"by":"staff/s-1","stamp":"001790000000004.00000.tablet-a"}],"is_conflict":false}},"struck":[],"is_entered_in_error":false,"heads":["tablet-a.ep01.4#e9d5d6cab4105635"]}');
INSERT INTO "record_view" VALUES('patient/p-1','patient',NULL,'booking',0,'{"record":"patient/p-1","fields":{"family_name":{"values":[{"value":"Sample","references":["tablet-a.ep01.1#c1d78022830d683c"],"by":"staff/s-1","stamp":"001790000000001.00000.tablet-a"}],"is_conflict":false}},"struck":[],"is_entered_in_error":false,"heads":["tablet-a.ep01.1#c1d78022830d683c"]}');
CREATE INDEX operation_by_stream ON operation (stream, seq);
CREATE INDEX operation_by_record ON operation (record);
CREATE INDEX quarantine_by_envelope ON quarantine (envelope);
CREATE INDEX record_view_by_kind ON record_view (kind, parent);
CREATE UNIQUE INDEX device_by_token ON device (token_sha256);
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('operation',5);
COMMIT;
