BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0001');
CREATE TABLE counter (
	workshop_id BIGINT NOT NULL, 
	series TEXT NOT NULL, 
	last BIGINT NOT NULL, 
	CONSTRAINT pk_counter PRIMARY KEY (workshop_id, series)
)
 WITHOUT ROWID

;
INSERT INTO "counter" VALUES(1,'B',3);
INSERT INTO "counter" VALUES(1,'C',1);
INSERT INTO "counter" VALUES(1,'D',1);
INSERT INTO "counter" VALUES(1,'E',1);
INSERT INTO "counter" VALUES(1,'L',8);
INSERT INTO "counter" VALUES(1,'R',8);
INSERT INTO "counter" VALUES(1,'V',1);
CREATE TABLE document (
	workshop_id BIGINT NOT NULL, 
	id BIGINT NOT NULL, 
	code TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	happened_on DATE NOT NULL, 
	happened_at DATETIME, 
	recorded_at DATETIME NOT NULL, 
	token_id BIGINT, 
	recorded_by TEXT NOT NULL, 
	reverses_id BIGINT, 
	corrects_id BIGINT, 
	caused_by_id BIGINT, 
	facts TEXT NOT NULL, 
	CONSTRAINT pk_document PRIMARY KEY (workshop_id, id), 
	CONSTRAINT uq_document_workshop_id_code UNIQUE (workshop_id, code), 
	CONSTRAINT uq_document_workshop_id_reverses_id UNIQUE (workshop_id, reverses_id), 
	CONSTRAINT fk_document_workshop_id_reverses_id FOREIGN KEY(workshop_id, reverses_id) REFERENCES document (workshop_id, id), 
	CONSTRAINT fk_document_workshop_id_corrects_id FOREIGN KEY(workshop_id, corrects_id) REFERENCES document (workshop_id, id), 
	CONSTRAINT fk_document_workshop_id_caused_by_id FOREIGN KEY(workshop_id, caused_by_id) REFERENCES document (workshop_id, id)
);
INSERT INTO "document" VALUES(1,251472503838134271,'R-0001','receipt','2026-10-26',NULL,'2026-11-25 22:21:57.047178',251472501006713207,'owner',NULL,NULL,NULL,'{"receipt":"R-0001","lot":"L-0001","material":"shea","quantity":2000,"given":{"quantity":2,"unit":"kg"},"supplier":null,"supplier_lot":null,"certificate":null,"received_on":"2026-10-26","expires_on":"2035-01-31","expires_assumed":false,"retest_on":null,"cost":20,"place":null,"status":"released","note":null,"recorded_at":"2026-11-25T22:21:57+00:00","recorded_by":"owner","warnings":[],"sentence":"2 kg of Shea butter booked as lot L-0001."}');
INSERT INTO "document" VALUES(1,251472504084103628,'R-0002','receipt','2026-11-05',NULL,'2026-11-25 22:21:57.105610',251472501006713207,'owner',NULL,NULL,NULL,'{"receipt":"R-0002","lot":"L-0002","material":"shea","quantity":2000,"given":{"quantity":2,"unit":"kg"},"supplier":null,"supplier_lot":null,"certificate":null,"received_on":"2026-11-05","expires_on":null,"expires_assumed":false,"retest_on":null,"cost":30,"place":null,"status":"released","note":null,"recorded_at":"2026-11-25T22:21:57+00:00","recorded_by":"owner","warnings":[],"sentence":"2 kg of Shea butter booked as lot L-0002."}');
INSERT INTO "document" VALUES(1,251472504302839534,'R-0003','receipt','2026-10-26',NULL,'2026-11-25 22:21:57.156991',251472501006713207,'owner',NULL,NULL,NULL,'{"receipt":"R-0003","lot":"L-0003","material":"oil","quantity":4000,"given":{"quantity":4000,"unit":"g"},"supplier":null,"supplier_lot":null,"certificate":null,"received_on":"2026-10-26","expires_on":null,"expires_assumed":false,"retest_on":null,"cost":32,"place":null,"status":"released","note":null,"recorded_at":"2026-11-25T22:21:57+00:00","recorded_by":"owner","warnings":[],"sentence":"4 kg of Olive oil booked as lot L-0003."}');
INSERT INTO "document" VALUES(1,251472504503511927,'R-0004','receipt','2026-10-26',NULL,'2026-11-25 22:21:57.205769',251472501006713207,'owner',NULL,NULL,NULL,'{"receipt":"R-0004","lot":"L-0004","material":"wax","quantity":2000,"given":{"quantity":2000,"unit":"g"},"supplier":null,"supplier_lot":null,"certificate":null,"received_on":"2026-10-26","expires_on":null,"expires_assumed":false,"retest_on":null,"cost":null,"place":null,"status":"released","note":null,"recorded_at":"2026-11-25T22:21:57+00:00","recorded_by":"owner","warnings":[],"sentence":"2 kg of Beeswax booked as lot L-0004."}');
INSERT INTO "document" VALUES(1,251472504702094028,'R-0005','receipt','2026-10-26',NULL,'2026-11-25 22:21:57.253796',251472501006713207,'owner',NULL,NULL,NULL,'{"receipt":"R-0005","lot":"L-0005","material":"tin","quantity":20,"given":{"quantity":20,"unit":"piece"},"supplier":null,"supplier_lot":null,"certificate":null,"received_on":"2026-10-26","expires_on":null,"expires_assumed":false,"retest_on":null,"cost":7,"place":null,"status":"released","note":null,"recorded_at":"2026-11-25T22:21:57+00:00","recorded_by":"owner","warnings":[],"sentence":"20 pieces of Tin booked as lot L-0005."}');
INSERT INTO "document" VALUES(1,251472504910292795,'R-0006','receipt','2026-10-26',NULL,'2026-11-25 22:21:57.302085',251472501006713207,'owner',NULL,NULL,NULL,'{"receipt":"R-0006","lot":"L-0006","material":"tin-s","quantity":100,"given":{"quantity":100,"unit":"piece"},"supplier":null,"supplier_lot":null,"certificate":null,"received_on":"2026-10-26","expires_on":null,"expires_assumed":false,"retest_on":null,"cost":20,"place":null,"status":"released","note":null,"recorded_at":"2026-11-25T22:21:57+00:00","recorded_by":"owner","warnings":[],"sentence":"100 pieces of Small tin booked as lot L-0006."}');
INSERT INTO "document" VALUES(1,251472505164410125,'B-0001','run','2026-11-15',NULL,'2026-11-25 22:21:57.356402',251472501006713207,'owner',NULL,NULL,NULL,'{"batch":"B-0001"}');
INSERT INTO "document" VALUES(1,251472505404411623,'B-0002','run','2026-11-17',NULL,'2026-11-25 22:21:57.414134',251472501006713207,'owner',NULL,NULL,NULL,'{"batch":"B-0002"}');
INSERT INTO "document" VALUES(1,251472505614546199,'R-0007','receipt','2026-11-13',NULL,'2026-11-25 22:21:57.470245',251472501006713207,'owner',NULL,NULL,NULL,'{"receipt":"R-0007","lot":"L-0007","material":"tin","quantity":50,"given":{"quantity":50,"unit":"piece"},"supplier":null,"supplier_lot":null,"certificate":null,"received_on":"2026-11-13","expires_on":null,"expires_assumed":false,"retest_on":null,"cost":20,"place":null,"status":"released","note":null,"recorded_at":"2026-11-25T22:21:57+00:00","recorded_by":"owner","warnings":[],"sentence":"50 pieces of Tin booked as lot L-0007."}');
INSERT INTO "document" VALUES(1,251472505816974804,'D-0001','disposal','2026-11-25','2026-11-25 22:21:57.518279','2026-11-25 22:21:57.518279',251472501006713207,'owner',NULL,NULL,NULL,'{"disposal":"D-0001","lot":"B-0002-2","item":"balm-20","quantity":2,"reason":"tester","note":null,"disposed_on":"2026-11-25","cost":null,"recorded_at":"2026-11-25T22:21:57+00:00","recorded_by":"owner","warnings":[],"sentence":"2 pieces of Balm, 20 g taken out of lot B-0002-2 (tester)."}');
INSERT INTO "document" VALUES(1,251472506038651530,'C-0001','count','2026-11-25','2026-11-25 22:21:57.566363','2026-11-25 22:21:57.566363',251472501006713207,'owner',NULL,NULL,NULL,'{"count":"C-0001","item":"oil","lot":null,"counted":3000,"counted_at":"2026-11-25T22:21:57+00:00","book":3321.531,"difference":-321.531,"movements":[{"item":"oil","lot":"L-0003","quantity":-321.531,"cost":-2.572248}],"note":null,"recorded_at":"2026-11-25T22:21:57+00:00","recorded_by":"owner","warnings":[],"sentence":"3 kg of Olive oil counted: 321.53 g less than the books said."}');
INSERT INTO "document" VALUES(1,251472506237801368,'E-0001','edit','2026-11-25','2026-11-25 22:21:57.619644','2026-11-25 22:21:57.619644',251472501006713207,'owner',NULL,NULL,NULL,'{"lot":"L-0001","note":null,"before":{"status":"released","status_reason":null,"status_by":null,"status_on":null,"use_by":"2035-01-31"},"after":{"status":"quarantined","status_reason":"smells","status_by":"owner","status_on":"2026-11-25","use_by":"2035-01-31"}}');
INSERT INTO "document" VALUES(1,251472506688829734,'R-0008','receipt','2026-11-25','2026-11-25 22:21:57.726015','2026-11-25 22:21:57.726015',251472501006713207,'owner',NULL,NULL,NULL,'{"receipt":"R-0008","lot":"L-0008","material":"wax","quantity":10,"given":{"quantity":10,"unit":"g"},"supplier":null,"supplier_lot":null,"certificate":null,"received_on":"2026-11-25","expires_on":null,"expires_assumed":false,"retest_on":null,"cost":null,"place":null,"status":"released","note":null,"recorded_at":"2026-11-25T22:21:57+00:00","recorded_by":"owner","warnings":[],"sentence":"10 g of Beeswax booked as lot L-0008."}');
INSERT INTO "document" VALUES(1,251472506992406716,'V-0001','reversal','2026-11-25','2026-11-25 22:21:57.726015','2026-11-25 22:21:57.778560',251472501006713207,'owner',251472506688829734,NULL,NULL,'{"reversal":"V-0001","reverses":"R-0008","reason":"twice","movements":[{"item":"wax","lot":"L-0008","quantity":-10,"cost":null}],"recorded_at":"2026-11-25T22:21:57+00:00","recorded_by":"owner","sentence":"Receipt R-0008 is reversed."}');
CREATE TABLE formula_line (
	workshop_id BIGINT NOT NULL, 
	version_id BIGINT NOT NULL, 
	n BIGINT NOT NULL, 
	item_id BIGINT NOT NULL, 
	share_ppm BIGINT NOT NULL, 
	rest BOOLEAN NOT NULL, 
	phase TEXT, 
	CONSTRAINT pk_formula_line PRIMARY KEY (workshop_id, version_id, n), 
	CONSTRAINT fk_formula_line_workshop_id_version_id FOREIGN KEY(workshop_id, version_id) REFERENCES formula_version (workshop_id, id), 
	CONSTRAINT fk_formula_line_workshop_id_item_id FOREIGN KEY(workshop_id, item_id) REFERENCES item (workshop_id, id)
)
 WITHOUT ROWID

;
INSERT INTO "formula_line" VALUES(1,251472503186506208,0,251472502293594281,500000,0,NULL);
INSERT INTO "formula_line" VALUES(1,251472503186506208,1,251472502324737006,305000,0,NULL);
INSERT INTO "formula_line" VALUES(1,251472503186506208,2,251472502524044189,195000,1,NULL);
CREATE TABLE formula_version (
	workshop_id BIGINT NOT NULL, 
	id BIGINT NOT NULL, 
	formula_id BIGINT NOT NULL, 
	version INTEGER NOT NULL, 
	usual_batch_mg BIGINT, 
	loss_ppm BIGINT NOT NULL, 
	loss_mg BIGINT NOT NULL, 
	rest_days INTEGER NOT NULL, 
	bulk_shelf_life_days INTEGER, 
	preservation_note TEXT, 
	made_on DATE NOT NULL, 
	created_at DATETIME NOT NULL, 
	CONSTRAINT pk_formula_version PRIMARY KEY (workshop_id, id), 
	CONSTRAINT fk_formula_version_workshop_id_formula_id FOREIGN KEY(workshop_id, formula_id) REFERENCES item (workshop_id, id), 
	CONSTRAINT uq_formula_version_workshop_id_formula_id_version UNIQUE (workshop_id, formula_id, version)
);
INSERT INTO "formula_version" VALUES(1,251472503186506208,251472503178702843,1,1000000,20000,0,0,NULL,NULL,'2026-11-25','2026-11-25 22:21:56.890406');
CREATE TABLE idempotency (
	workshop_id BIGINT NOT NULL, 
	"key" TEXT NOT NULL, 
	fingerprint TEXT NOT NULL, 
	status INTEGER NOT NULL, 
	answer TEXT NOT NULL, 
	created_at DATETIME NOT NULL, 
	CONSTRAINT pk_idempotency PRIMARY KEY (workshop_id, "key")
)
 WITHOUT ROWID

;
CREATE TABLE item (
	workshop_id BIGINT NOT NULL, 
	id BIGINT NOT NULL, 
	code TEXT NOT NULL, 
	name TEXT NOT NULL, 
	kind TEXT NOT NULL, 
	unit TEXT NOT NULL, 
	stocked BOOLEAN NOT NULL, 
	active BOOLEAN NOT NULL, 
	shelf_life_days INTEGER, 
	opened_life_days INTEGER, 
	facts TEXT NOT NULL, 
	papers BIGINT NOT NULL, 
	CONSTRAINT pk_item PRIMARY KEY (workshop_id, id), 
	CONSTRAINT uq_item_workshop_id_code UNIQUE (workshop_id, code), 
	CONSTRAINT ck_item_kind CHECK (kind IN ('ingredient','packaging','bulk','product')), 
	CONSTRAINT ck_item_unit CHECK (unit IN ('g','piece'))
);
INSERT INTO "item" VALUES(1,251472502293594281,'shea','Shea butter','ingredient','g',1,1,NULL,NULL,'{"inci": null, "function": [], "contains_water": false, "density_g_per_ml": null, "notes": null}',6);
INSERT INTO "item" VALUES(1,251472502324737006,'oil','Olive oil','ingredient','g',1,1,NULL,NULL,'{"inci": null, "function": [], "contains_water": false, "density_g_per_ml": null, "notes": null}',5);
INSERT INTO "item" VALUES(1,251472502524044189,'wax','Beeswax','ingredient','g',1,1,NULL,NULL,'{"inci": null, "function": [], "contains_water": false, "density_g_per_ml": null, "notes": null}',6);
INSERT INTO "item" VALUES(1,251472502722574815,'tin','Tin','packaging','piece',1,1,NULL,NULL,'{"inci": null, "function": [], "contains_water": false, "density_g_per_ml": null, "notes": null}',5);
INSERT INTO "item" VALUES(1,251472502925525754,'tin-s','Small tin','packaging','piece',1,1,NULL,NULL,'{"inci": null, "function": [], "contains_water": false, "density_g_per_ml": null, "notes": null}',2);
INSERT INTO "item" VALUES(1,251472503178702843,'balm','Balm','bulk','g',1,1,NULL,NULL,'{}',1);
INSERT INTO "item" VALUES(1,251472503406960836,'balm-50','Balm, 50 g','product','piece',1,1,365,NULL,'{}',2);
INSERT INTO "item" VALUES(1,251472503629701468,'balm-20','Balm, 20 g','product','piece',1,1,NULL,NULL,'{}',2);
CREATE TABLE line (
	workshop_id BIGINT NOT NULL, 
	document_id BIGINT NOT NULL, 
	n BIGINT NOT NULL, 
	item_id BIGINT NOT NULL, 
	paper BIGINT NOT NULL, 
	quantity BIGINT NOT NULL, 
	lot_id BIGINT, 
	lot_quantity BIGINT, 
	instead_of_id BIGINT, 
	CONSTRAINT pk_line PRIMARY KEY (workshop_id, document_id, n), 
	CONSTRAINT fk_line_workshop_id_document_id FOREIGN KEY(workshop_id, document_id) REFERENCES document (workshop_id, id), 
	CONSTRAINT fk_line_workshop_id_item_id FOREIGN KEY(workshop_id, item_id) REFERENCES item (workshop_id, id)
)
 WITHOUT ROWID

;
INSERT INTO "line" VALUES(1,251472503838134271,0,251472502293594281,1,2000000,251472503844089256,NULL,NULL);
INSERT INTO "line" VALUES(1,251472504084103628,0,251472502293594281,2,2000000,251472504086419462,NULL,NULL);
INSERT INTO "line" VALUES(1,251472504302839534,0,251472502324737006,1,4000000,251472504302839535,NULL,NULL);
INSERT INTO "line" VALUES(1,251472504503511927,0,251472502524044189,1,2000000,251472504507628470,NULL,NULL);
INSERT INTO "line" VALUES(1,251472504702094028,0,251472502722574815,1,20,251472504707705612,NULL,NULL);
INSERT INTO "line" VALUES(1,251472504910292795,0,251472502925525754,1,100,251472504910292796,NULL,NULL);
INSERT INTO "line" VALUES(1,251472505164410125,0,251472502293594281,3,-612245,NULL,NULL,NULL);
INSERT INTO "line" VALUES(1,251472505164410125,1,251472502324737006,2,-373469,NULL,NULL,NULL);
INSERT INTO "line" VALUES(1,251472505164410125,2,251472502524044189,2,-238776,NULL,NULL,NULL);
INSERT INTO "line" VALUES(1,251472505164410125,3,251472502722574815,2,-24,NULL,NULL,NULL);
INSERT INTO "line" VALUES(1,251472505164410125,4,251472503406960836,1,24,NULL,NULL,NULL);
INSERT INTO "line" VALUES(1,251472505404411623,0,251472502293594281,4,-500000,251472504086419462,100000,NULL);
INSERT INTO "line" VALUES(1,251472505404411623,1,251472502324737006,3,-305000,NULL,NULL,NULL);
INSERT INTO "line" VALUES(1,251472505404411623,2,251472502524044189,3,-195000,NULL,NULL,NULL);
INSERT INTO "line" VALUES(1,251472505404411623,3,251472502722574815,3,-1,NULL,NULL,NULL);
INSERT INTO "line" VALUES(1,251472505404411623,4,251472502925525754,2,-20,NULL,NULL,NULL);
INSERT INTO "line" VALUES(1,251472505404411623,5,251472503406960836,2,1,NULL,NULL,NULL);
INSERT INTO "line" VALUES(1,251472505404411623,6,251472503629701468,1,20,NULL,NULL,NULL);
INSERT INTO "line" VALUES(1,251472505404411623,7,251472503178702843,1,300000,NULL,NULL,NULL);
INSERT INTO "line" VALUES(1,251472505614546199,0,251472502722574815,4,50,251472505616422645,NULL,NULL);
INSERT INTO "line" VALUES(1,251472505816974804,0,251472503629701468,2,-2,251472505404887928,2,NULL);
INSERT INTO "line" VALUES(1,251472506038651530,0,251472502324737006,4,3000000,NULL,NULL,NULL);
INSERT INTO "line" VALUES(1,251472506237801368,0,251472502293594281,5,0,251472503844089256,NULL,NULL);
INSERT INTO "line" VALUES(1,251472506688829734,0,251472502524044189,5,10000,251472506690358390,NULL,NULL);
CREATE TABLE lot (
	workshop_id BIGINT NOT NULL, 
	id BIGINT NOT NULL, 
	item_id BIGINT NOT NULL, 
	code TEXT NOT NULL, 
	document_id BIGINT, 
	parent_id BIGINT, 
	supplier TEXT, 
	supplier_lot TEXT, 
	certificate TEXT, 
	received_on DATE NOT NULL, 
	made BOOLEAN NOT NULL, 
	expires_on DATE, 
	expires_assumed BOOLEAN NOT NULL, 
	retest_on DATE, 
	opened_on DATE, 
	opened_life_days INTEGER, 
	use_by DATE NOT NULL, 
	ready_on DATE, 
	status TEXT NOT NULL, 
	status_by TEXT, 
	status_on DATE, 
	status_reason TEXT, 
	place TEXT, 
	quantity BIGINT NOT NULL, 
	cost_micro BIGINT, 
	estimated BOOLEAN NOT NULL, 
	on_hand BIGINT NOT NULL, 
	cost_left_micro BIGINT, 
	CONSTRAINT pk_lot PRIMARY KEY (workshop_id, id), 
	CONSTRAINT fk_lot_workshop_id_item_id FOREIGN KEY(workshop_id, item_id) REFERENCES item (workshop_id, id), 
	CONSTRAINT uq_lot_workshop_id_code UNIQUE (workshop_id, code), 
	CONSTRAINT ck_lot_on_hand CHECK ((id <> item_id AND on_hand >= 0) OR (id = item_id AND on_hand <= 0)), 
	CONSTRAINT ck_lot_status CHECK (status IN ('quarantined','released','rejected'))
);
INSERT INTO "lot" VALUES(1,251472502293594281,251472502293594281,'~shea',NULL,NULL,NULL,NULL,NULL,'2000-01-01',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,0,NULL,0,0,0);
INSERT INTO "lot" VALUES(1,251472502324737006,251472502324737006,'~oil',NULL,NULL,NULL,NULL,NULL,'2000-01-01',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,0,NULL,0,0,0);
INSERT INTO "lot" VALUES(1,251472502524044189,251472502524044189,'~wax',NULL,NULL,NULL,NULL,NULL,'2000-01-01',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,0,NULL,0,0,0);
INSERT INTO "lot" VALUES(1,251472502722574815,251472502722574815,'~tin',NULL,NULL,NULL,NULL,NULL,'2000-01-01',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,0,NULL,0,-5,-1750000);
INSERT INTO "lot" VALUES(1,251472502925525754,251472502925525754,'~tin-s',NULL,NULL,NULL,NULL,NULL,'2000-01-01',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,0,NULL,0,0,0);
INSERT INTO "lot" VALUES(1,251472503178702843,251472503178702843,'~balm',NULL,NULL,NULL,NULL,NULL,'2000-01-01',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,0,NULL,0,0,0);
INSERT INTO "lot" VALUES(1,251472503406960836,251472503406960836,'~balm-50',NULL,NULL,NULL,NULL,NULL,'2000-01-01',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,0,NULL,0,0,0);
INSERT INTO "lot" VALUES(1,251472503629701468,251472503629701468,'~balm-20',NULL,NULL,NULL,NULL,NULL,'2000-01-01',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,0,NULL,0,0,0);
INSERT INTO "lot" VALUES(1,251472503844089256,251472502293594281,'L-0001',251472503838134271,NULL,NULL,NULL,NULL,'2026-10-26',0,'2035-01-31',0,NULL,NULL,NULL,'2035-01-31',NULL,'quarantined','owner','2026-11-25','smells',NULL,2000000,20000000,0,987755,9877550);
INSERT INTO "lot" VALUES(1,251472504086419462,251472502293594281,'L-0002',251472504084103628,NULL,NULL,NULL,NULL,'2026-11-05',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,2000000,30000000,0,1900000,28500000);
INSERT INTO "lot" VALUES(1,251472504302839535,251472502324737006,'L-0003',251472504302839534,NULL,NULL,NULL,NULL,'2026-10-26',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,4000000,32000000,0,3000000,24000000);
INSERT INTO "lot" VALUES(1,251472504507628470,251472502524044189,'L-0004',251472504503511927,NULL,NULL,NULL,NULL,'2026-10-26',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,2000000,NULL,0,1566224,NULL);
INSERT INTO "lot" VALUES(1,251472504707705612,251472502722574815,'L-0005',251472504702094028,NULL,NULL,NULL,NULL,'2026-10-26',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,20,7000000,0,0,0);
INSERT INTO "lot" VALUES(1,251472504910292796,251472502925525754,'L-0006',251472504910292795,NULL,NULL,NULL,NULL,'2026-10-26',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,100,20000000,0,80,16000000);
INSERT INTO "lot" VALUES(1,251472505164796048,251472503406960836,'B-0001',251472505164410125,NULL,NULL,NULL,NULL,'2026-11-15',1,'2027-11-15',0,NULL,NULL,NULL,'2027-11-15',NULL,'released',NULL,NULL,NULL,NULL,24,NULL,1,24,NULL);
INSERT INTO "lot" VALUES(1,251472505404411624,251472503406960836,'B-0002',251472505404411623,NULL,NULL,NULL,NULL,'2026-11-17',1,'2027-11-17',0,NULL,NULL,NULL,'2027-11-17',NULL,'released',NULL,NULL,NULL,NULL,1,NULL,1,1,NULL);
INSERT INTO "lot" VALUES(1,251472505404887928,251472503629701468,'B-0002-2',251472505404411623,NULL,NULL,NULL,NULL,'2026-11-17',1,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,20,NULL,1,18,NULL);
INSERT INTO "lot" VALUES(1,251472505404887929,251472503178702843,'B-0002-3',251472505404411623,NULL,NULL,NULL,NULL,'2026-11-17',1,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,300000,NULL,1,300000,NULL);
INSERT INTO "lot" VALUES(1,251472505616422645,251472502722574815,'L-0007',251472505614546199,NULL,NULL,NULL,NULL,'2026-11-13',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,50,20000000,0,50,20000000);
INSERT INTO "lot" VALUES(1,251472506690358390,251472502524044189,'L-0008',251472506688829734,NULL,NULL,NULL,NULL,'2026-11-25',0,NULL,0,NULL,NULL,NULL,'9999-12-31',NULL,'released',NULL,NULL,NULL,NULL,10000,NULL,0,0,NULL);
CREATE TABLE movement (
	workshop_id BIGINT NOT NULL, 
	document_id BIGINT NOT NULL, 
	n BIGINT NOT NULL, 
	line INTEGER NOT NULL, 
	lot_id BIGINT NOT NULL, 
	quantity BIGINT NOT NULL, 
	cost_micro BIGINT, 
	CONSTRAINT pk_movement PRIMARY KEY (workshop_id, document_id, n), 
	CONSTRAINT fk_movement_workshop_id_document_id FOREIGN KEY(workshop_id, document_id) REFERENCES document (workshop_id, id), 
	CONSTRAINT fk_movement_workshop_id_lot_id FOREIGN KEY(workshop_id, lot_id) REFERENCES lot (workshop_id, id)
)
 WITHOUT ROWID

;
INSERT INTO "movement" VALUES(1,251472503838134271,0,0,251472503844089256,2000000,20000000);
INSERT INTO "movement" VALUES(1,251472504084103628,0,0,251472504086419462,2000000,30000000);
INSERT INTO "movement" VALUES(1,251472504302839534,0,0,251472504302839535,4000000,32000000);
INSERT INTO "movement" VALUES(1,251472504503511927,0,0,251472504507628470,2000000,NULL);
INSERT INTO "movement" VALUES(1,251472504702094028,0,0,251472504707705612,20,7000000);
INSERT INTO "movement" VALUES(1,251472504910292795,0,0,251472504910292796,100,20000000);
INSERT INTO "movement" VALUES(1,251472505164410125,0,0,251472503844089256,-612245,-6122450);
INSERT INTO "movement" VALUES(1,251472505164410125,1,1,251472504302839535,-373469,-2987752);
INSERT INTO "movement" VALUES(1,251472505164410125,2,2,251472504507628470,-238776,NULL);
INSERT INTO "movement" VALUES(1,251472505164410125,3,3,251472504707705612,-20,-7000000);
INSERT INTO "movement" VALUES(1,251472505164410125,4,3,251472502722574815,-4,-1400000);
INSERT INTO "movement" VALUES(1,251472505164410125,5,4,251472505164796048,24,NULL);
INSERT INTO "movement" VALUES(1,251472505404411623,0,0,251472504086419462,-100000,-1500000);
INSERT INTO "movement" VALUES(1,251472505404411623,1,0,251472503844089256,-400000,-4000000);
INSERT INTO "movement" VALUES(1,251472505404411623,2,1,251472504302839535,-305000,-2440000);
INSERT INTO "movement" VALUES(1,251472505404411623,3,2,251472504507628470,-195000,NULL);
INSERT INTO "movement" VALUES(1,251472505404411623,4,3,251472502722574815,-1,-350000);
INSERT INTO "movement" VALUES(1,251472505404411623,5,4,251472504910292796,-20,-4000000);
INSERT INTO "movement" VALUES(1,251472505404411623,6,5,251472505404411624,1,NULL);
INSERT INTO "movement" VALUES(1,251472505404411623,7,6,251472505404887928,20,NULL);
INSERT INTO "movement" VALUES(1,251472505404411623,8,7,251472505404887929,300000,NULL);
INSERT INTO "movement" VALUES(1,251472505614546199,0,0,251472505616422645,50,20000000);
INSERT INTO "movement" VALUES(1,251472505816974804,0,0,251472505404887928,-2,NULL);
INSERT INTO "movement" VALUES(1,251472506038651530,0,0,251472504302839535,-321531,-2572248);
INSERT INTO "movement" VALUES(1,251472506688829734,0,0,251472506690358390,10000,NULL);
INSERT INTO "movement" VALUES(1,251472506992406716,0,0,251472506690358390,-10000,NULL);
CREATE TABLE product (
	workshop_id BIGINT NOT NULL, 
	id BIGINT NOT NULL, 
	formula_id BIGINT, 
	fill_mg BIGINT, 
	net_mg BIGINT, 
	CONSTRAINT pk_product PRIMARY KEY (workshop_id, id), 
	CONSTRAINT fk_product_workshop_id_id FOREIGN KEY(workshop_id, id) REFERENCES item (workshop_id, id), 
	CONSTRAINT fk_product_formula FOREIGN KEY(workshop_id, formula_id) REFERENCES item (workshop_id, id)
);
INSERT INTO "product" VALUES(1,251472503406960836,251472503178702843,50000,50000);
INSERT INTO "product" VALUES(1,251472503629701468,251472503178702843,20000,20000);
CREATE TABLE product_part (
	workshop_id BIGINT NOT NULL, 
	product_id BIGINT NOT NULL, 
	n BIGINT NOT NULL, 
	item_id BIGINT NOT NULL, 
	quantity BIGINT NOT NULL, 
	inside BOOLEAN NOT NULL, 
	CONSTRAINT pk_product_part PRIMARY KEY (workshop_id, product_id, n), 
	CONSTRAINT fk_product_part_workshop_id_product_id FOREIGN KEY(workshop_id, product_id) REFERENCES product (workshop_id, id), 
	CONSTRAINT fk_product_part_workshop_id_item_id FOREIGN KEY(workshop_id, item_id) REFERENCES item (workshop_id, id)
)
 WITHOUT ROWID

;
INSERT INTO "product_part" VALUES(1,251472503406960836,0,251472502722574815,1,0);
INSERT INTO "product_part" VALUES(1,251472503629701468,0,251472502925525754,1,0);
CREATE TABLE run (
	workshop_id BIGINT NOT NULL, 
	id BIGINT NOT NULL, 
	code TEXT NOT NULL, 
	state TEXT NOT NULL, 
	formula_id BIGINT, 
	product_id BIGINT, 
	version_id BIGINT, 
	units BIGINT, 
	batch_mg BIGINT, 
	planned_on DATE, 
	made_on DATE, 
	plan_id BIGINT, 
	document_id BIGINT, 
	facts TEXT NOT NULL, 
	CONSTRAINT pk_run PRIMARY KEY (workshop_id, id), 
	CONSTRAINT uq_run_workshop_id_code UNIQUE (workshop_id, code), 
	CONSTRAINT ck_run_state CHECK (state IN ('planned','completed','cancelled','reversed'))
);
INSERT INTO "run" VALUES(1,251472505172978191,'B-0001','completed',251472503178702843,251472503406960836,251472503186506208,24,1224490,NULL,'2026-11-15',NULL,251472505164410125,'{"asked":{"made_on":"2026-11-15","product":"balm-50","units":24},"planned":null,"answer":{"batch":{"code":"B-0001","units":24,"status":"released","best_before":"2027-11-15","ready_on":null,"lots":[{"lot":"B-0001","item":"balm-50","quantity":24,"cost":null,"unit_cost":null}]},"state":"completed","outcome":"made","formula":"balm","version":1,"product":"balm-50","batch_g":1224.49,"planned_on":null,"made_on":"2026-11-15","made_by":null,"used":[{"material":"shea","lot":"L-0001","quantity":612.245,"cost":6.12245,"chosen":"assumed","instead_of":null},{"material":"oil","lot":"L-0003","quantity":373.469,"cost":2.987752,"chosen":"assumed","instead_of":null},{"material":"wax","lot":"L-0004","quantity":238.776,"cost":null,"chosen":"assumed","instead_of":null},{"material":"tin","lot":"L-0005","quantity":20,"cost":7,"chosen":"assumed","instead_of":null},{"material":"tin","lot":null,"quantity":4,"cost":1.4,"chosen":"unbooked","instead_of":null}],"shortages":[{"material":"tin","needed":24,"taken":20,"short":4,"unusable":[]}],"warnings":[{"type":"count-wanted","sentence":"The books hold too little tin: 4 piece unbooked, please count.","material":"tin","short":4}],"concerns":[],"yield_percent":98,"cost":null,"unit_cost":null,"estimated":true,"plan":null,"note":null,"reason":null,"recorded_at":"2026-11-25T22:21:57+00:00","recorded_by":"owner","sentence":"24 of Balm, 50 g recorded as batch B-0001; the books lack 4 pieces of tin, please count."},"completions":1}');
INSERT INTO "run" VALUES(1,251472505410325430,'B-0002','completed',251472503178702843,NULL,251472503186506208,NULL,1000000,NULL,'2026-11-17',NULL,251472505404411623,'{"asked":{"made_on":"2026-11-17","lots":[{"material":"shea","lot":"L-0002","quantity":"100"}],"filled":[{"product":"balm-50","units":1},{"product":"balm-20","units":20}],"left_over_g":"300","formula":"balm","batch_g":"1000"},"planned":null,"answer":{"batch":{"code":"B-0002","units":21,"status":"released","best_before":"2027-11-17","ready_on":null,"lots":[{"lot":"B-0002","item":"balm-50","quantity":1,"cost":null,"unit_cost":null},{"lot":"B-0002-2","item":"balm-20","quantity":20,"cost":null,"unit_cost":null},{"lot":"B-0002-3","item":"balm","quantity":300,"cost":null,"unit_cost":null}]},"state":"completed","outcome":"made","formula":"balm","version":1,"product":null,"batch_g":1000,"planned_on":null,"made_on":"2026-11-17","made_by":null,"used":[{"material":"shea","lot":"L-0002","quantity":100,"cost":1.5,"chosen":"named","instead_of":null},{"material":"shea","lot":"L-0001","quantity":400,"cost":4,"chosen":"assumed","instead_of":null},{"material":"oil","lot":"L-0003","quantity":305,"cost":2.44,"chosen":"assumed","instead_of":null},{"material":"wax","lot":"L-0004","quantity":195,"cost":null,"chosen":"assumed","instead_of":null},{"material":"tin","lot":null,"quantity":1,"cost":0.35,"chosen":"unbooked","instead_of":null},{"material":"tin-s","lot":"L-0006","quantity":20,"cost":4,"chosen":"assumed","instead_of":null}],"shortages":[{"material":"tin","needed":1,"taken":0,"short":1,"unusable":[]}],"warnings":[{"type":"count-wanted","sentence":"The books hold too little tin: 1 piece unbooked, please count.","material":"tin","short":1}],"concerns":[],"yield_percent":75,"cost":null,"unit_cost":null,"estimated":true,"plan":null,"note":null,"reason":null,"recorded_at":"2026-11-25T22:21:57+00:00","recorded_by":"owner","sentence":"1 of Balm, 50 g; 20 of Balm, 20 g; 300 g of Balm recorded as batch B-0002; the books lack 1 pieces of tin, please count."},"completions":1}');
INSERT INTO "run" VALUES(1,251472506475641002,'B-0003','planned',251472503178702843,251472503406960836,251472503186506208,5,255103,'2026-11-30',NULL,NULL,NULL,'{"asked":{"product":"balm-50","units":5,"status":"planned","planned_on":"2026-11-30"},"answer":{"batch":{"code":"B-0003","units":5,"status":null,"best_before":null,"ready_on":null,"lots":[]},"state":"planned","outcome":"made","formula":"balm","version":1,"product":"balm-50","batch_g":255.103,"planned_on":"2026-11-30","made_on":null,"made_by":null,"used":[],"shortages":[],"warnings":[],"concerns":[],"yield_percent":null,"cost":null,"unit_cost":null,"estimated":false,"plan":null,"note":null,"reason":null,"recorded_at":"2026-11-25T22:21:57+00:00","recorded_by":"owner","sentence":"5 of Balm, 50 g planned as batch B-0003."}}');
CREATE TABLE run_line (
	workshop_id BIGINT NOT NULL, 
	run_id BIGINT NOT NULL, 
	n BIGINT NOT NULL, 
	item_id BIGINT NOT NULL, 
	quantity BIGINT NOT NULL, 
	CONSTRAINT pk_run_line PRIMARY KEY (workshop_id, run_id, n), 
	CONSTRAINT fk_run_line_workshop_id_run_id FOREIGN KEY(workshop_id, run_id) REFERENCES run (workshop_id, id), 
	CONSTRAINT fk_run_line_workshop_id_item_id FOREIGN KEY(workshop_id, item_id) REFERENCES item (workshop_id, id)
)
 WITHOUT ROWID

;
INSERT INTO "run_line" VALUES(1,251472506475641002,0,251472502293594281,127552);
INSERT INTO "run_line" VALUES(1,251472506475641002,1,251472502324737006,77806);
INSERT INTO "run_line" VALUES(1,251472506475641002,2,251472502524044189,49745);
INSERT INTO "run_line" VALUES(1,251472506475641002,3,251472502722574815,5);
CREATE TABLE token (
	workshop_id BIGINT NOT NULL, 
	id BIGINT NOT NULL, 
	code TEXT NOT NULL, 
	name TEXT NOT NULL, 
	scopes TEXT NOT NULL, 
	secret_hash TEXT NOT NULL, 
	expires_on DATE, 
	created_at DATETIME NOT NULL, 
	last_used_at DATETIME, 
	revoked_at DATETIME, 
	CONSTRAINT pk_token PRIMARY KEY (workshop_id, id), 
	CONSTRAINT uq_token_workshop_id_code UNIQUE (workshop_id, code), 
	CONSTRAINT uq_token_workshop_id_secret_hash UNIQUE (workshop_id, secret_hash)
);
INSERT INTO "token" VALUES(1,251472501006713207,'t-f173b03b','owner','manage','a821aeb77ed7208b2ded4f535b0c82ec5d0bb016837c1fe8577d0ed85ff50317',NULL,'2026-11-25 22:21:56.372111','2026-11-25 22:21:57.618958',NULL);
INSERT INTO "token" VALUES(1,251472501010388302,'t-e94c42b6','phone','record','4b76f5ad1dd2201beef67a44a0f7b4848db9dbd9f376a7afad7e8dc70aab3d32',NULL,'2026-11-25 22:21:56.372111',NULL,NULL);
CREATE TABLE workshop (
	id BIGINT NOT NULL, 
	code TEXT NOT NULL, 
	name TEXT NOT NULL, 
	time_zone TEXT NOT NULL, 
	currency TEXT NOT NULL, 
	week_start TEXT NOT NULL, 
	expiry_warning_days INTEGER NOT NULL, 
	created_at DATETIME NOT NULL, 
	CONSTRAINT pk_workshop PRIMARY KEY (id), 
	CONSTRAINT uq_workshop_code UNIQUE (code)
);
INSERT INTO "workshop" VALUES(1,'my-workshop','My workshop','UTC','EUR','monday',30,'2026-11-25 22:21:56.372111');
CREATE INDEX ix_document_workshop_id_kind_id ON document (workshop_id, kind, id);
CREATE INDEX ix_run_planned ON run (workshop_id, id) WHERE state = 'planned';
CREATE INDEX ix_line_workshop_id_item_id_paper ON line (workshop_id, item_id, paper);
CREATE INDEX ix_lot_workshop_id_document_id ON lot (workshop_id, document_id);
CREATE INDEX ix_lot_workshop_id_item_id_id ON lot (workshop_id, item_id, id);
CREATE INDEX ix_lot_open ON lot (workshop_id, item_id) WHERE on_hand <> 0;
CREATE INDEX ix_movement_lot ON movement (workshop_id, lot_id);
CREATE TRIGGER document_no_update BEFORE UPDATE ON document BEGIN SELECT RAISE(ABORT, 'document is append-only'); END;
CREATE TRIGGER document_no_delete BEFORE DELETE ON document BEGIN SELECT RAISE(ABORT, 'document is append-only'); END;
CREATE TRIGGER line_no_update BEFORE UPDATE ON line BEGIN SELECT RAISE(ABORT, 'line is append-only'); END;
CREATE TRIGGER line_no_delete BEFORE DELETE ON line BEGIN SELECT RAISE(ABORT, 'line is append-only'); END;
CREATE TRIGGER movement_no_update BEFORE UPDATE ON movement BEGIN SELECT RAISE(ABORT, 'movement is append-only'); END;
CREATE TRIGGER movement_no_delete BEFORE DELETE ON movement BEGIN SELECT RAISE(ABORT, 'movement is append-only'); END;
COMMIT;
