PRAGMA application_id = 1751215206;
BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0008');
CREATE TABLE calibration_lines (
	id CHAR(32) NOT NULL, 
	calibration_id CHAR(32) NOT NULL, 
	quantity VARCHAR(20) NOT NULL, 
	gain DOUBLE NOT NULL, 
	"offset" DOUBLE NOT NULL, 
	gain_u DOUBLE NOT NULL, 
	offset_u DOUBLE NOT NULL, 
	covariance DOUBLE NOT NULL, 
	before_gain DOUBLE NOT NULL, 
	before_offset DOUBLE NOT NULL, 
	before_gain_u DOUBLE NOT NULL, 
	before_offset_u DOUBLE NOT NULL, 
	before_covariance DOUBLE NOT NULL, 
	CONSTRAINT pk_calibration_lines PRIMARY KEY (id), 
	CONSTRAINT fk_calibration_lines_calibration_id FOREIGN KEY(calibration_id) REFERENCES calibrations (id), 
	CONSTRAINT uq_calibration_lines_calibration_id_quantity UNIQUE (calibration_id, quantity)
);
INSERT INTO "calibration_lines" VALUES('edfda88d19f54cd99ef71216ec9dfd1d','7b105bd79d324661ab1e380202c43618','current',1.02,0.0117,0.0005,0.0006,8.0e-08,1.01,0.002,0.005,0.004,1.0e-06);
INSERT INTO "calibration_lines" VALUES('bb95b3bb5dde4c228a72662bd7d5dc17','7b105bd79d324661ab1e380202c43618','voltage',1.019,0.0084,0.0006,0.0014,5.0e-07,1.0,0.0,0.0,0.0,0.0);
CREATE TABLE calibration_points (
	id CHAR(32) NOT NULL, 
	line_id CHAR(32) NOT NULL, 
	position INTEGER NOT NULL, 
	reference DOUBLE NOT NULL, 
	reading DOUBLE NOT NULL, 
	scatter DOUBLE NOT NULL, 
	count INTEGER NOT NULL, 
	reading_u DOUBLE NOT NULL, 
	own_u DOUBLE NOT NULL, 
	common_u DOUBLE NOT NULL, 
	set_v DOUBLE, 
	CONSTRAINT pk_calibration_points PRIMARY KEY (id), 
	CONSTRAINT fk_calibration_points_line_id FOREIGN KEY(line_id) REFERENCES calibration_lines (id), 
	CONSTRAINT uq_calibration_points_line_id_position UNIQUE (line_id, position)
);
INSERT INTO "calibration_points" VALUES('9d6f86ff0090487995917a5756333d3e','edfda88d19f54cd99ef71216ec9dfd1d',0,0.0,0.0123,0.002,400,0.0006,0.0,0.0,NULL);
INSERT INTO "calibration_points" VALUES('4e5d913301394531ade823b70925a8ed','edfda88d19f54cd99ef71216ec9dfd1d',1,2.488,2.45,0.003,800,0.0007,0.0003,0.001,6.3);
INSERT INTO "calibration_points" VALUES('a0b8073492ad471f8f1e2602115db7ef','edfda88d19f54cd99ef71216ec9dfd1d',2,6.238,6.13,0.003,800,0.0007,0.0003,0.003,NULL);
INSERT INTO "calibration_points" VALUES('a1e73bd008604c0bbbfce50e66bf3309','bb95b3bb5dde4c228a72662bd7d5dc17',0,2.488,2.45,0.003,800,0.0007,0.0003,0.001,6.3);
INSERT INTO "calibration_points" VALUES('b78349b8521b49b6a0336c9cbf3cb1c9','bb95b3bb5dde4c228a72662bd7d5dc17',1,6.238,6.13,0.003,800,0.0007,0.0003,0.003,NULL);
CREATE TABLE calibrations (
	id CHAR(32) NOT NULL, 
	made_at DATETIME NOT NULL, 
	due DATE NOT NULL, 
	operator VARCHAR NOT NULL, 
	rig_name VARCHAR NOT NULL, 
	station VARCHAR NOT NULL, 
	backend VARCHAR NOT NULL, 
	simulated BOOLEAN NOT NULL, 
	bus INTEGER NOT NULL, 
	address INTEGER NOT NULL, 
	shunt_ohm DOUBLE NOT NULL, 
	range_v DOUBLE NOT NULL, 
	world VARCHAR NOT NULL, 
	held_against JSON NOT NULL, 
	note VARCHAR NOT NULL, 
	program_version VARCHAR NOT NULL, 
	CONSTRAINT pk_calibrations PRIMARY KEY (id)
);
INSERT INTO "calibrations" VALUES('7b105bd79d324661ab1e380202c43618','2026-03-02 09:30:01.000005','2027-03-02','R. Vale','Low Meadow','A','pi',0,1,64,0.005,0.16,'w1','[{"kind": "resistor", "serial": "R 7", "certificate": "C-12", "due": "2027-01-01", "value_ohm": 2.5, "expanded_u_rel": 0.001, "expanded_u": 0.0, "k": 2.0, "ppm_per_k": 20.0, "warms_k_per_w": 0.5}, {"kind": "meter", "serial": "M 3", "certificate": "", "due": null, "value_ohm": null, "expanded_u_rel": 0.0, "expanded_u": 0.003, "k": 2.0, "ppm_per_k": 20.0, "warms_k_per_w": 0.5}]','clamps new','0.1');
CREATE TABLE events (
	id CHAR(32) NOT NULL, 
	run_id CHAR(32) NOT NULL, 
	position INTEGER NOT NULL, 
	at DATETIME NOT NULL, 
	time_s DOUBLE, 
	kind VARCHAR NOT NULL, 
	text VARCHAR NOT NULL, 
	CONSTRAINT pk_events PRIMARY KEY (id), 
	CONSTRAINT fk_events_run_id FOREIGN KEY(run_id) REFERENCES runs (id), 
	CONSTRAINT uq_events_run_id_position UNIQUE (run_id, position)
);
INSERT INTO "events" VALUES('0780939fef85483d9c869a6e32930bf6','6a1f0000000040008000000000000001',0,'2026-03-02 08:15:30.123456',1.5,'trip','tripped');
INSERT INTO "events" VALUES('535aea59814a457e976339d4c1cf9fa9','6a1f0000000040008000000000000001',1,'2026-03-02 08:15:30.123456',NULL,'note','written later');
CREATE TABLE gauge_runs (
	id CHAR(32) NOT NULL, 
	trial_id CHAR(32) NOT NULL, 
	run_id CHAR(32) NOT NULL, 
	set_aside VARCHAR NOT NULL, 
	CONSTRAINT pk_gauge_runs PRIMARY KEY (id), 
	CONSTRAINT fk_gauge_runs_trial_id FOREIGN KEY(trial_id) REFERENCES gauge_trials (id), 
	CONSTRAINT fk_gauge_runs_run_id FOREIGN KEY(run_id) REFERENCES runs (id), 
	CONSTRAINT uq_gauge_runs_run_id UNIQUE (run_id)
);
INSERT INTO "gauge_runs" VALUES('f6cda9eb6b4b42adb7ff4bd6affe5a9d','969010c3bb55492aab7c911e2a473166','6a1f0000000040008000000000000001','');
CREATE TABLE gauge_studies (
	id CHAR(32) NOT NULL, 
	name VARCHAR NOT NULL, 
	plan_name VARCHAR NOT NULL, 
	plan_sha256 VARCHAR(64) NOT NULL, 
	station VARCHAR NOT NULL, 
	began_at DATETIME NOT NULL, 
	seed INTEGER NOT NULL, 
	note VARCHAR NOT NULL, 
	CONSTRAINT pk_gauge_studies PRIMARY KEY (id), 
	CONSTRAINT fk_gauge_studies_plan_sha256 FOREIGN KEY(plan_sha256) REFERENCES texts (sha256), 
	CONSTRAINT uq_gauge_studies_name UNIQUE (name)
);
INSERT INTO "gauge_studies" VALUES('9dd4a6d7295748d4ad9a175a1891b033','spring','qualify','4716f444cacc0728a74f0539a68b68365a6bcaea44e164f270e57210588e6ab4','left','2026-03-02 08:15:30.123456',7,'');
CREATE TABLE gauge_trials (
	id CHAR(32) NOT NULL, 
	study_id CHAR(32) NOT NULL, 
	position INTEGER NOT NULL, 
	part VARCHAR NOT NULL, 
	operator VARCHAR NOT NULL, 
	trial INTEGER NOT NULL, 
	CONSTRAINT pk_gauge_trials PRIMARY KEY (id), 
	CONSTRAINT fk_gauge_trials_study_id FOREIGN KEY(study_id) REFERENCES gauge_studies (id), 
	CONSTRAINT uq_gauge_trials_study_id_position UNIQUE (study_id, position)
);
INSERT INTO "gauge_trials" VALUES('969010c3bb55492aab7c911e2a473166','9dd4a6d7295748d4ad9a175a1891b033',0,'U-1','jo',1);
INSERT INTO "gauge_trials" VALUES('13c55d7329bb409f98f26c3fb5938934','9dd4a6d7295748d4ad9a175a1891b033',1,'U-2','jo',1);
INSERT INTO "gauge_trials" VALUES('a6a513944e2d48929d1efb1d82ede710','9dd4a6d7295748d4ad9a175a1891b033',2,'U-1','ann',1);
INSERT INTO "gauge_trials" VALUES('da04dbc7334d4d2181c4934c32155cc8','9dd4a6d7295748d4ad9a175a1891b033',3,'U-2','ann',1);
INSERT INTO "gauge_trials" VALUES('e9230acd85a74c529739f91edb7274a3','9dd4a6d7295748d4ad9a175a1891b033',4,'U-1','jo',2);
INSERT INTO "gauge_trials" VALUES('c6bea3aa88b849ab90866ee51f90a3d5','9dd4a6d7295748d4ad9a175a1891b033',5,'U-2','jo',2);
INSERT INTO "gauge_trials" VALUES('e9e1f5f9d28743358d85587e345f0752','9dd4a6d7295748d4ad9a175a1891b033',6,'U-1','ann',2);
INSERT INTO "gauge_trials" VALUES('50f1e62b7aa642fea2011ce14b360bff','9dd4a6d7295748d4ad9a175a1891b033',7,'U-2','ann',2);
CREATE TABLE golden_baselines (
	id CHAR(32) NOT NULL, 
	golden_id CHAR(32) NOT NULL, 
	position INTEGER NOT NULL, 
	began_at DATETIME NOT NULL, 
	reason VARCHAR NOT NULL, 
	operator VARCHAR NOT NULL, 
	CONSTRAINT pk_golden_baselines PRIMARY KEY (id), 
	CONSTRAINT fk_golden_baselines_golden_id FOREIGN KEY(golden_id) REFERENCES golden_units (id), 
	CONSTRAINT uq_golden_baselines_golden_id_position UNIQUE (golden_id, position)
);
CREATE TABLE golden_units (
	id CHAR(32) NOT NULL, 
	unit_id CHAR(32) NOT NULL, 
	plan_name VARCHAR NOT NULL, 
	station VARCHAR NOT NULL, 
	baseline INTEGER NOT NULL, 
	measures JSON NOT NULL, 
	declared_at DATETIME NOT NULL, 
	withdrawn_at DATETIME, 
	CONSTRAINT pk_golden_units PRIMARY KEY (id), 
	CONSTRAINT fk_golden_units_unit_id FOREIGN KEY(unit_id) REFERENCES units (id)
);
CREATE TABLE half_turns (
	id CHAR(32) NOT NULL, 
	step_id CHAR(32) NOT NULL, 
	position INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	direction VARCHAR(20) NOT NULL, 
	outcome VARCHAR(20) NOT NULL, 
	start_s DOUBLE, 
	end_s DOUBLE, 
	response_s DOUBLE, 
	half_turn_s DOUBLE, 
	half_turn_u_s DOUBLE, 
	peak_a DOUBLE, 
	peak_u_a DOUBLE, 
	run_a DOUBLE, 
	run_u_a DOUBLE, 
	rest_a DOUBLE, 
	rest_u_a DOUBLE, 
	charge_c DOUBLE, 
	energy_j DOUBLE, 
	supply_v DOUBLE, 
	sag_v DOUBLE, 
	sag_u_v DOUBLE, 
	dropouts INTEGER NOT NULL, 
	longest_dropout_s DOUBLE, 
	turned_deg DOUBLE, 
	peak_speed_deg_per_s DOUBLE, 
	cut_by_rig BOOLEAN NOT NULL, 
	note VARCHAR NOT NULL, nominal_half_turn_s DOUBLE, nominal_half_turn_u_s DOUBLE, supply_u_v DOUBLE, 
	CONSTRAINT pk_half_turns PRIMARY KEY (id), 
	CONSTRAINT fk_half_turns_step_id FOREIGN KEY(step_id) REFERENCES steps (id), 
	CONSTRAINT uq_half_turns_step_id_position UNIQUE (step_id, position)
);
INSERT INTO "half_turns" VALUES('c3b5700e11c64469862e82e212fd7b94','0d6635b69721477cb695e5e81259e79e',0,1,'to_run','parked',100.2,100.9031,0.0082,0.7031,0.0021,14.37,0.15,2.204,0.024,-0.0004,0.01,1.71,21.3,12.48,0.71,0.02,2,0.004,179.2,268.0,1,'cut off by its own cam',0.7312,0.0142,0.15);
INSERT INTO "half_turns" VALUES('cd628789d2884097ab4983e1307308ba','0d6635b69721477cb695e5e81259e79e',1,2,'to_stop','parked',100.2,100.9031,0.0082,0.7031,0.0021,14.37,0.15,2.204,0.024,-0.0004,0.01,1.71,21.3,12.48,0.71,0.02,0,0.0,179.2,268.0,0,'cut off by its own cam',0.7312,0.0142,0.15);
CREATE TABLE lot_events (
	id CHAR(32) NOT NULL, 
	lot_id CHAR(32) NOT NULL, 
	position INTEGER NOT NULL, 
	at DATETIME NOT NULL, 
	operator VARCHAR NOT NULL, 
	kind VARCHAR(20) NOT NULL, 
	item INTEGER, 
	text VARCHAR NOT NULL, 
	CONSTRAINT pk_lot_events PRIMARY KEY (id), 
	CONSTRAINT fk_lot_events_lot_id FOREIGN KEY(lot_id) REFERENCES lots (id), 
	CONSTRAINT uq_lot_events_lot_id_position UNIQUE (lot_id, position)
);
INSERT INTO "lot_events" VALUES('0df30cecc9ea417a9448d4e996e2cce8','0fbb0b5024104526a8187f5ae52ade04',0,'2026-03-02 08:00:00.000000','R. Vale','opened',NULL,'');
INSERT INTO "lot_events" VALUES('077f61459fce45d9819ff9332c55e18c','0fbb0b5024104526a8187f5ae52ade04',1,'2026-03-02 08:15:30.123456','jo','untestable',1,'counted as nonconforming: crushed in transit');
CREATE TABLE lot_items (
	id CHAR(32) NOT NULL, 
	lot_id CHAR(32) NOT NULL, 
	position INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	serial VARCHAR NOT NULL, 
	untestable VARCHAR(20), 
	untestable_why VARCHAR NOT NULL, 
	replaces CHAR(32), 
	CONSTRAINT pk_lot_items PRIMARY KEY (id), 
	CONSTRAINT fk_lot_items_lot_id FOREIGN KEY(lot_id) REFERENCES lots (id), 
	CONSTRAINT fk_lot_items_replaces FOREIGN KEY(replaces) REFERENCES lot_items (id), 
	CONSTRAINT uq_lot_items_lot_id_position UNIQUE (lot_id, position), 
	CONSTRAINT uq_lot_items_lot_id_number UNIQUE (lot_id, number)
);
INSERT INTO "lot_items" VALUES('fbdbaab2b0654443a948e57ab24dcc7d','0fbb0b5024104526a8187f5ae52ade04',0,3,'LM12-0041',NULL,'',NULL);
INSERT INTO "lot_items" VALUES('85a9c5142f604caeb6b53c73ab33542d','0fbb0b5024104526a8187f5ae52ade04',1,1,'','nonconforming','crushed in transit',NULL);
CREATE TABLE lot_runs (
	id CHAR(32) NOT NULL, 
	item_id CHAR(32) NOT NULL, 
	position INTEGER NOT NULL, 
	run_id CHAR(32) NOT NULL, 
	set_aside VARCHAR NOT NULL, 
	CONSTRAINT pk_lot_runs PRIMARY KEY (id), 
	CONSTRAINT fk_lot_runs_item_id FOREIGN KEY(item_id) REFERENCES lot_items (id), 
	CONSTRAINT fk_lot_runs_run_id FOREIGN KEY(run_id) REFERENCES runs (id), 
	CONSTRAINT uq_lot_runs_item_id_position UNIQUE (item_id, position), 
	CONSTRAINT uq_lot_runs_run_id UNIQUE (run_id)
);
INSERT INTO "lot_runs" VALUES('29632fc7ad904f61b60a49d805b22025','fbdbaab2b0654443a948e57ab24dcc7d',0,'6a1f0000000040008000000000000001','');
CREATE TABLE lots (
	id CHAR(32) NOT NULL, 
	number INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	supplier VARCHAR NOT NULL, 
	order_number VARCHAR NOT NULL, 
	unit_type VARCHAR NOT NULL, 
	size INTEGER NOT NULL, 
	aql DOUBLE NOT NULL, 
	level VARCHAR(20) NOT NULL, 
	severity VARCHAR(20) NOT NULL, 
	severity_why VARCHAR NOT NULL, 
	steady BOOLEAN NOT NULL, 
	agreed_by VARCHAR NOT NULL, 
	irregular VARCHAR NOT NULL, 
	acted VARCHAR NOT NULL, 
	lot_letter VARCHAR NOT NULL, 
	letter VARCHAR NOT NULL, 
	table_n INTEGER NOT NULL, 
	n INTEGER NOT NULL, 
	ac INTEGER NOT NULL, 
	re INTEGER NOT NULL, 
	doubt VARCHAR NOT NULL, 
	plan_name VARCHAR NOT NULL, 
	plan_sha256 VARCHAR(64) NOT NULL, 
	simulated BOOLEAN NOT NULL, 
	seed INTEGER NOT NULL, 
	opened_at DATETIME NOT NULL, 
	operator VARCHAR NOT NULL, 
	resubmitted_of CHAR(32), 
	note VARCHAR NOT NULL, 
	"end" VARCHAR(20), 
	closed_at DATETIME, 
	closed_number INTEGER, 
	closed_by VARCHAR NOT NULL, 
	closing_note VARCHAR NOT NULL, 
	version INTEGER NOT NULL, 
	CONSTRAINT pk_lots PRIMARY KEY (id), 
	CONSTRAINT fk_lots_plan_sha256 FOREIGN KEY(plan_sha256) REFERENCES texts (sha256), 
	CONSTRAINT fk_lots_resubmitted_of FOREIGN KEY(resubmitted_of) REFERENCES lots (id)
);
INSERT INTO "lots" VALUES('0fbb0b5024104526a8187f5ae52ade04',1,'J-1207','Ash Ridge Supply','','LM-12',40,4.0,'II','normal','Normal inspection, as it is from the first lot on.',0,'','','','D','C',2,2,1,2,'','qualify','4716f444cacc0728a74f0539a68b68365a6bcaea44e164f270e57210588e6ab4',1,5,'2026-03-02 08:00:00.000000','R. Vale',NULL,'',NULL,NULL,NULL,'','',3);
CREATE TABLE measures (
	id CHAR(32) NOT NULL, 
	step_id CHAR(32) NOT NULL, 
	position INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	value DOUBLE, 
	unit VARCHAR NOT NULL, 
	u DOUBLE, 
	CONSTRAINT pk_measures PRIMARY KEY (id), 
	CONSTRAINT fk_measures_step_id FOREIGN KEY(step_id) REFERENCES steps (id), 
	CONSTRAINT uq_measures_step_id_position UNIQUE (step_id, position)
);
INSERT INTO "measures" VALUES('a0f307103b6d452f9d54acaf5baf29ba','0d6635b69721477cb695e5e81259e79e',0,'half_turn_mean_s',7.03123456789012335477e-01,'s',0.0021);
INSERT INTO "measures" VALUES('f3028eae45f240a88d00859dad19eab8','0d6635b69721477cb695e5e81259e79e',1,'odd',NULL,'A',NULL);
CREATE TABLE reasons (
	id CHAR(32) NOT NULL, 
	run_id CHAR(32) NOT NULL, 
	position INTEGER NOT NULL, 
	verdict VARCHAR(20) NOT NULL, 
	text VARCHAR NOT NULL, 
	measure VARCHAR NOT NULL, 
	half_turn INTEGER NOT NULL, 
	CONSTRAINT pk_reasons PRIMARY KEY (id), 
	CONSTRAINT fk_reasons_run_id FOREIGN KEY(run_id) REFERENCES runs (id), 
	CONSTRAINT uq_reasons_run_id_position UNIQUE (run_id, position)
);
INSERT INTO "reasons" VALUES('62190fabd22b4d85a31a22a1c3e5ebdf','6a1f0000000040008000000000000001',0,'fail','half-turn 2 stalled','outcome',2);
INSERT INTO "reasons" VALUES('cb611a9f3c86402ea63c720421b75440','6a1f0000000040008000000000000001',1,'retest','half-turn 1 is near its limit','half_turn_s',1);
CREATE TABLE rig_checks (
	id CHAR(32) NOT NULL, 
	ended_at DATETIME NOT NULL, 
	rig_name VARCHAR NOT NULL, 
	station VARCHAR NOT NULL, 
	backend VARCHAR NOT NULL, 
	simulated BOOLEAN NOT NULL, 
	good BOOLEAN, 
	complete BOOLEAN NOT NULL, 
	feeds_off BOOLEAN NOT NULL, 
	text VARCHAR NOT NULL, 
	items JSON NOT NULL, 
	program_version VARCHAR NOT NULL, 
	CONSTRAINT pk_rig_checks PRIMARY KEY (id)
);
CREATE TABLE runs (
	id CHAR(32) NOT NULL, 
	unit_id CHAR(32) NOT NULL, 
	plan_name VARCHAR NOT NULL, 
	plan_sha256 VARCHAR(64) NOT NULL, 
	rig_name VARCHAR NOT NULL, 
	rig_sha256 VARCHAR(64) NOT NULL, 
	station VARCHAR NOT NULL, 
	operator VARCHAR NOT NULL, 
	source VARCHAR(20) NOT NULL, 
	reference VARCHAR NOT NULL, 
	backend VARCHAR NOT NULL, 
	simulated BOOLEAN NOT NULL, 
	backend_facts JSON NOT NULL, 
	program_version VARCHAR NOT NULL, 
	started_at DATETIME NOT NULL, 
	state VARCHAR(20) NOT NULL, 
	ended_at DATETIME, 
	verdict VARCHAR(20), 
	feeds_off BOOLEAN, 
	note VARCHAR NOT NULL, 
	swept BOOLEAN NOT NULL, 
	owner_host VARCHAR NOT NULL, 
	owner_boot VARCHAR NOT NULL, 
	owner_space VARCHAR NOT NULL, 
	owner_pid INTEGER NOT NULL, 
	owner_started INTEGER NOT NULL, control VARCHAR, lateness JSON, calibration_id CHAR(32) CONSTRAINT fk_runs_calibration_id REFERENCES calibrations (id), calibration JSON, golden JSON, 
	CONSTRAINT pk_runs PRIMARY KEY (id), 
	CONSTRAINT fk_runs_plan_sha256 FOREIGN KEY(plan_sha256) REFERENCES texts (sha256), 
	CONSTRAINT fk_runs_rig_sha256 FOREIGN KEY(rig_sha256) REFERENCES texts (sha256), 
	CONSTRAINT fk_runs_unit_id FOREIGN KEY(unit_id) REFERENCES units (id)
);
INSERT INTO "runs" VALUES('6a1f0000000040008000000000000001','bfd742991e0f4de7a69679c7d79f771f','qualify','4716f444cacc0728a74f0539a68b68365a6bcaea44e164f270e57210588e6ab4','Low Meadow Pump Works','9a353e18952ed0f2adf292900747af3f6b4793ed96864dbb68d2b390b44d269d','left','R. Vale','own_rebuild','J-1207','simulated',1,'{"seed": "7", "faults": "none"}','0.1.0','2026-03-02 08:15:30.123456','finished','2026-03-02 08:17:30.123456','fail',1,'the end',0,'bench','boot','',11080,2517034,'SCHED_FIFO 50','{"period_s": 0.001, "cycles": 1000, "lost_slots": 1, "lost_slots_fed": 1, "woken": {"max_s": 0.0021, "bins": [[0.001, 900], [0.002, 99], [0.0025, 1]]}, "done": {"max_s": 0.0021, "bins": [[0.001, 900], [0.002, 99], [0.0025, 1]]}}','7b105bd79d324661ab1e380202c43618','{"state": "overdue", "on": "2027-03-03", "changed": ["its clamps"]}','{"standing": "out_of_control", "text": "It is out.", "serial": "LM12-0001", "checked_at": "2026-03-02T08:15:30.123456+00:00"}');
CREATE TABLE steps (
	id CHAR(32) NOT NULL, 
	run_id CHAR(32) NOT NULL, 
	number INTEGER NOT NULL, 
	kind VARCHAR NOT NULL, 
	title VARCHAR NOT NULL, 
	started_at DATETIME NOT NULL, 
	ended_at DATETIME NOT NULL, 
	state VARCHAR(20) NOT NULL, 
	answers JSON NOT NULL, 
	note VARCHAR NOT NULL, held VARCHAR(20), 
	CONSTRAINT pk_steps PRIMARY KEY (id), 
	CONSTRAINT fk_steps_run_id FOREIGN KEY(run_id) REFERENCES runs (id), 
	CONSTRAINT uq_steps_run_id_number UNIQUE (run_id, number)
);
INSERT INTO "steps" VALUES('0d6635b69721477cb695e5e81259e79e','6a1f0000000040008000000000000001',1,'half_turns','Half-turns at 12.6 V','2026-03-02 08:15:40.123456','2026-03-02 08:15:48.373456','done','{"shaft free?": "yes", "marks": [1, 2.5, null]}','done twice','all');
CREATE TABLE texts (
	sha256 VARCHAR(64) NOT NULL, 
	text TEXT NOT NULL, 
	CONSTRAINT pk_texts PRIMARY KEY (sha256)
);
INSERT INTO "texts" VALUES('4716f444cacc0728a74f0539a68b68365a6bcaea44e164f270e57210588e6ab4','[plan]
name = ''qualify''  # grüner Zettel
');
INSERT INTO "texts" VALUES('9a353e18952ed0f2adf292900747af3f6b4793ed96864dbb68d2b390b44d269d','[rig]
');
CREATE TABLE traces (
	id CHAR(32) NOT NULL, 
	step_id CHAR(32) NOT NULL, 
	samples INTEGER NOT NULL, 
	data BLOB NOT NULL, 
	CONSTRAINT pk_traces PRIMARY KEY (id), 
	CONSTRAINT fk_traces_step_id FOREIGN KEY(step_id) REFERENCES steps (id), 
	CONSTRAINT uq_traces_step_id UNIQUE (step_id)
);
INSERT INTO "traces" VALUES('fbcfe7069ea947e6a002c3fcd485b061','0d6635b69721477cb695e5e81259e79e',50,X'4854524301B50100007B22726F7773223A2035302C2022636F6C756D6E73223A205B7B226E616D65223A202274696D655F73222C20226B696E64223A20226638222C20226D6574686F64223A202264656C7461222C202273697A65223A203234367D2C207B226E616D65223A202263757272656E745F61222C20226B696E64223A20226638222C20226D6574686F64223A20227461626C65222C202273697A65223A203136357D2C207B226E616D65223A2022766F6C746167655F76222C20226B696E64223A20226638222C20226D6574686F64223A20227461626C65222C202273697A65223A2038317D2C207B226E616D65223A2022626174746572795F66656564222C20226B696E64223A2022626F6F6C222C20226D6574686F64223A202262697473222C202273697A65223A2031317D2C207B226E616D65223A202269676E6974696F6E5F66656564222C20226B696E64223A2022626F6F6C222C20226D6574686F64223A202262697473222C202273697A65223A2031317D2C207B226E616D65223A2022666C616773222C20226B696E64223A20227531222C20226D6574686F64223A20226279746573222C202273697A65223A2031357D5D7D789C3370AD70969AA1AE1CDC105F146DF4ECE8EAE8AD0F23AFFF0F57518F8C12115F57E128359D7FE6493D81E4D76FBD78FD6E6F0DEC899D7C6AB9871BAB6597F25E0ED6E9B7127786BD65B956A8E17821E27E9FDD1519390F962ACDC287F6B3A75C7E30E1E1E21ED1FF37FEDA48BA4C3C7B51423995F9C4AAACB6DF69057641FD0DBF8C735CA57A96CCD91DFB32DC70ED04ED5969C69F2649F8F7B9DF9CE220D3657953DA9AFF40408C4FEFB749EE7B8CDD2CFB2ABC9E7A692DFFE43B3D893178BEEEDBE4FFCCBF623FF54F955C59146BB2AF9A4140805F500002F8051000C216E407217E143906924124C93A1C48D601005D535F95789C13626060283564F8C3F08FA9BE9E0D4AD737EF6358C970453B2BAB114A671D98CFF091A1A27DCF9EA9507ACF2929864B0C2FC54A4A9CA174C9427D065F06B59B93277743E9C9AE771992180CCF4948E44069896D2A0C09021CEC2C2CF91C109A85998DC19E01041CA0341030F1B070B3F0B272F0713130F2F2317231B20830B271F2B030B273F17372B1300AF0B13073733031B1307270B20A7232F0330100479E2F11789C1DC9B11540501403D024EF5399C0062A47F1D45A4BD88275ECA1D0DBCACFBF45CE49D20338972F73CDBC0E7B1FBB771B079B65136C6BC9508488224AA19A8C02444706E9C5936A6B776D3F16FC0C91789C636000030000070001789C636000030000070001789C6360C00198704900000064000319BBC46F5EA4062208536D5627AFD33611EB63F9140FD5E4C0918CB1214C26F4');
CREATE TABLE units (
	id CHAR(32) NOT NULL, 
	serial VARCHAR NOT NULL, 
	unit_type VARCHAR NOT NULL, 
	CONSTRAINT pk_units PRIMARY KEY (id), 
	CONSTRAINT uq_units_serial_unit_type UNIQUE (serial, unit_type)
);
INSERT INTO "units" VALUES('bfd742991e0f4de7a69679c7d79f771f','LM12-0041','LM-12');
CREATE INDEX ix_runs_reference ON runs (reference);
CREATE INDEX ix_runs_started_at ON runs (started_at);
CREATE INDEX ix_runs_state ON runs (state);
CREATE INDEX ix_runs_unit_id ON runs (unit_id);
CREATE INDEX ix_calibrations_made_at ON calibrations (made_at);
CREATE INDEX ix_rig_checks_ended_at ON rig_checks (ended_at);
CREATE INDEX ix_gauge_runs_trial_id ON gauge_runs (trial_id);
CREATE INDEX ix_lots_name ON lots (name);
CREATE INDEX ix_lots_supplier ON lots (supplier);
COMMIT;
