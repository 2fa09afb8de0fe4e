CREATE TABLE blobs (
	sha256 TEXT NOT NULL,
	size BIGINT NOT NULL,
	content BYTEA NOT NULL,
	CONSTRAINT pk_blobs PRIMARY KEY (sha256)
);
CREATE TABLE change (
	change_id BIGINT NOT NULL,
	entered_at TEXT NOT NULL,
	entered_by TEXT NOT NULL,
	reason TEXT NOT NULL,
	source TEXT NOT NULL,
	true_on TEXT,
	kind TEXT NOT NULL,
	previous_hash TEXT NOT NULL,
	content_hash TEXT NOT NULL,
	hash TEXT NOT NULL,
	CONSTRAINT pk_change PRIMARY KEY (change_id)
);
CREATE TABLE deployments_names (
	name TEXT NOT NULL,
	CONSTRAINT pk_deployments_names PRIMARY KEY (name)
);
CREATE TABLE families_names (
	name TEXT NOT NULL,
	CONSTRAINT pk_families_names PRIMARY KEY (name)
);
CREATE TABLE fish_names (
	name TEXT NOT NULL,
	CONSTRAINT pk_fish_names PRIMARY KEY (name)
);
CREATE TABLE lots_names (
	name TEXT NOT NULL,
	CONSTRAINT pk_lots_names PRIMARY KEY (name)
);
CREATE TABLE plans_names (
	name TEXT NOT NULL,
	CONSTRAINT pk_plans_names PRIMARY KEY (name)
);
CREATE TABLE samples_names (
	name TEXT NOT NULL,
	CONSTRAINT pk_samples_names PRIMARY KEY (name)
);
CREATE TABLE sites_names (
	name TEXT NOT NULL,
	CONSTRAINT pk_sites_names PRIMARY KEY (name)
);
CREATE TABLE stock_names (
	name TEXT NOT NULL,
	CONSTRAINT pk_stock_names PRIMARY KEY (name)
);
CREATE TABLE units_names (
	name TEXT NOT NULL,
	CONSTRAINT pk_units_names PRIMARY KEY (name)
);
CREATE TABLE call_sets (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	call_set TEXT NOT NULL,
	kind TEXT,
	blob TEXT,
	samples BIGINT,
	loci BIGINT,
	marker_set TEXT,
	source TEXT,
	source_sha256 TEXT,
	note TEXT,
	CONSTRAINT pk_call_sets PRIMARY KEY (entry_id),
	CONSTRAINT fk_call_sets_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_call_sets_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_call_sets_blob FOREIGN KEY(blob) REFERENCES blobs (sha256) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_call_sets_blob ON call_sets (blob);
CREATE INDEX ix_call_sets_change_id ON call_sets (change_id);
CREATE INDEX ix_call_sets_ended_by ON call_sets (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_call_sets_old_key ON call_sets (call_set) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_call_sets_record_id ON call_sets (record_id);
CREATE UNIQUE INDEX uq_call_sets_key ON call_sets (call_set) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_call_sets_record ON call_sets (record_id) WHERE ended_by IS NULL;
CREATE TABLE captures (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	capture_id TEXT NOT NULL,
	captured_on TEXT,
	site_id TEXT,
	tag TEXT,
	new_tag TEXT,
	sex TEXT,
	length_mm DOUBLE PRECISION,
	length_type TEXT,
	weight_g DOUBLE PRECISION,
	method TEXT,
	effort_h DOUBLE PRECISION,
	sample_id TEXT,
	note TEXT,
	CONSTRAINT pk_captures PRIMARY KEY (entry_id),
	CONSTRAINT fk_captures_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_captures_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_captures_site_id FOREIGN KEY(site_id) REFERENCES sites_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_captures_sample_id FOREIGN KEY(sample_id) REFERENCES samples_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_captures_change_id ON captures (change_id);
CREATE INDEX ix_captures_ended_by ON captures (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_captures_new_tag ON captures (new_tag);
CREATE INDEX ix_captures_old_key ON captures (capture_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_captures_record_id ON captures (record_id);
CREATE INDEX ix_captures_sample_id ON captures (sample_id);
CREATE INDEX ix_captures_site_id ON captures (site_id);
CREATE INDEX ix_captures_tag ON captures (tag);
CREATE UNIQUE INDEX uq_captures_key ON captures (capture_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_captures_record ON captures (record_id) WHERE ended_by IS NULL;
CREATE TABLE certificates (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	certificate_id TEXT NOT NULL,
	unit TEXT,
	issued_on TEXT,
	valid_until TEXT,
	result TEXT,
	CONSTRAINT pk_certificates PRIMARY KEY (entry_id),
	CONSTRAINT fk_certificates_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_certificates_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_certificates_unit FOREIGN KEY(unit) REFERENCES units_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_certificates_change_id ON certificates (change_id);
CREATE INDEX ix_certificates_ended_by ON certificates (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_certificates_old_key ON certificates (certificate_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_certificates_record_id ON certificates (record_id);
CREATE INDEX ix_certificates_unit ON certificates (unit);
CREATE UNIQUE INDEX uq_certificates_key ON certificates (certificate_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_certificates_record ON certificates (record_id) WHERE ended_by IS NULL;
CREATE TABLE crosses (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	cross_id TEXT NOT NULL,
	season BIGINT,
	made_on TEXT,
	made_at TEXT,
	dam TEXT,
	sire TEXT,
	dish BIGINT,
	cell TEXT,
	eggs BIGINT,
	fertilised BIGINT,
	hatched BIGINT,
	swim_up BIGINT,
	kept BIGINT,
	family TEXT,
	note TEXT,
	CONSTRAINT pk_crosses PRIMARY KEY (entry_id),
	CONSTRAINT fk_crosses_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_crosses_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_crosses_dam FOREIGN KEY(dam) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_crosses_sire FOREIGN KEY(sire) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_crosses_family FOREIGN KEY(family) REFERENCES families_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_crosses_change_id ON crosses (change_id);
CREATE INDEX ix_crosses_dam ON crosses (dam);
CREATE INDEX ix_crosses_ended_by ON crosses (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_crosses_family ON crosses (family);
CREATE INDEX ix_crosses_old_key ON crosses (cross_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_crosses_record_id ON crosses (record_id);
CREATE INDEX ix_crosses_sire ON crosses (sire);
CREATE UNIQUE INDEX uq_crosses_key ON crosses (cross_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_crosses_record ON crosses (record_id) WHERE ended_by IS NULL;
CREATE TABLE decisions (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	decision_id TEXT NOT NULL,
	decided_on TEXT,
	decided_by TEXT,
	subject TEXT,
	what TEXT,
	reason TEXT,
	evidence TEXT,
	plan_id TEXT,
	CONSTRAINT pk_decisions PRIMARY KEY (entry_id),
	CONSTRAINT fk_decisions_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_decisions_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_decisions_plan_id FOREIGN KEY(plan_id) REFERENCES plans_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_decisions_change_id ON decisions (change_id);
CREATE INDEX ix_decisions_ended_by ON decisions (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_decisions_old_key ON decisions (decision_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_decisions_plan_id ON decisions (plan_id);
CREATE INDEX ix_decisions_record_id ON decisions (record_id);
CREATE UNIQUE INDEX uq_decisions_key ON decisions (decision_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_decisions_record ON decisions (record_id) WHERE ended_by IS NULL;
CREATE TABLE deployments (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	deployment_id TEXT NOT NULL,
	site_id TEXT,
	reader TEXT,
	from_time TEXT,
	to_time TEXT,
	utc_offset_h DOUBLE PRECISION,
	scan_hours DOUBLE PRECISION,
	CONSTRAINT pk_deployments PRIMARY KEY (entry_id),
	CONSTRAINT fk_deployments_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_deployments_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_deployments_site_id FOREIGN KEY(site_id) REFERENCES sites_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_deployments_change_id ON deployments (change_id);
CREATE INDEX ix_deployments_ended_by ON deployments (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_deployments_old_key ON deployments (deployment_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_deployments_record_id ON deployments (record_id);
CREATE INDEX ix_deployments_site_id ON deployments (site_id);
CREATE UNIQUE INDEX uq_deployments_key ON deployments (deployment_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_deployments_record ON deployments (record_id) WHERE ended_by IS NULL;
CREATE TABLE detection_days (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	deployment_id TEXT NOT NULL,
	day TEXT NOT NULL,
	tag TEXT NOT NULL,
	contacts BIGINT,
	first_at TEXT,
	last_at TEXT,
	CONSTRAINT pk_detection_days PRIMARY KEY (entry_id),
	CONSTRAINT fk_detection_days_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_detection_days_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_detection_days_deployment_id FOREIGN KEY(deployment_id) REFERENCES deployments_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_detection_days_change_id ON detection_days (change_id);
CREATE INDEX ix_detection_days_ended_by ON detection_days (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_detection_days_old_key ON detection_days (deployment_id, day, tag) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_detection_days_record_id ON detection_days (record_id);
CREATE INDEX ix_detection_days_tag ON detection_days (tag);
CREATE UNIQUE INDEX uq_detection_days_key ON detection_days (deployment_id, day, tag) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_detection_days_record ON detection_days (record_id) WHERE ended_by IS NULL;
CREATE TABLE distances (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	from_place TEXT,
	to_place TEXT,
	km DOUBLE PRECISION,
	CONSTRAINT pk_distances PRIMARY KEY (entry_id),
	CONSTRAINT fk_distances_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_distances_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_distances_change_id ON distances (change_id);
CREATE INDEX ix_distances_ended_by ON distances (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_distances_record_id ON distances (record_id);
CREATE UNIQUE INDEX uq_distances_record ON distances (record_id) WHERE ended_by IS NULL;
CREATE TABLE drawdown_counts (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	drawdown_id TEXT NOT NULL,
	version TEXT NOT NULL,
	site_id TEXT,
	counted_on TEXT,
	expected BIGINT,
	alive BIGINT,
	dead BIGINT,
	without_tag BIGINT,
	retagged BIGINT,
	young BIGINT,
	intruders BIGINT,
	counted_by TEXT,
	note TEXT,
	CONSTRAINT pk_drawdown_counts PRIMARY KEY (entry_id),
	CONSTRAINT fk_drawdown_counts_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_drawdown_counts_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_drawdown_counts_site_id FOREIGN KEY(site_id) REFERENCES sites_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_drawdown_counts_change_id ON drawdown_counts (change_id);
CREATE INDEX ix_drawdown_counts_ended_by ON drawdown_counts (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_drawdown_counts_old_key ON drawdown_counts (drawdown_id, version) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_drawdown_counts_record_id ON drawdown_counts (record_id);
CREATE INDEX ix_drawdown_counts_site_id ON drawdown_counts (site_id);
CREATE UNIQUE INDEX uq_drawdown_counts_key ON drawdown_counts (drawdown_id, version) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_drawdown_counts_record ON drawdown_counts (record_id) WHERE ended_by IS NULL;
CREATE TABLE drawdown_fish (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	drawdown_id TEXT NOT NULL,
	number BIGINT NOT NULL,
	site_id TEXT,
	handled_on TEXT,
	kind TEXT,
	tag TEXT,
	new_tag TEXT,
	fate TEXT,
	to_site TEXT,
	sex TEXT,
	total_length_mm DOUBLE PRECISION,
	species TEXT,
	note TEXT,
	CONSTRAINT pk_drawdown_fish PRIMARY KEY (entry_id),
	CONSTRAINT fk_drawdown_fish_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_drawdown_fish_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_drawdown_fish_site_id FOREIGN KEY(site_id) REFERENCES sites_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_drawdown_fish_to_site FOREIGN KEY(to_site) REFERENCES sites_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_drawdown_fish_change_id ON drawdown_fish (change_id);
CREATE INDEX ix_drawdown_fish_ended_by ON drawdown_fish (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_drawdown_fish_new_tag ON drawdown_fish (new_tag);
CREATE INDEX ix_drawdown_fish_old_key ON drawdown_fish (drawdown_id, number) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_drawdown_fish_record_id ON drawdown_fish (record_id);
CREATE INDEX ix_drawdown_fish_site_id ON drawdown_fish (site_id);
CREATE INDEX ix_drawdown_fish_tag ON drawdown_fish (tag);
CREATE INDEX ix_drawdown_fish_to_site ON drawdown_fish (to_site);
CREATE UNIQUE INDEX uq_drawdown_fish_key ON drawdown_fish (drawdown_id, number) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_drawdown_fish_record ON drawdown_fish (record_id) WHERE ended_by IS NULL;
CREATE TABLE families (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	family_id TEXT NOT NULL,
	kind TEXT,
	year_class BIGINT,
	dam TEXT,
	sire TEXT,
	made_on TEXT,
	zone TEXT,
	note TEXT,
	CONSTRAINT pk_families PRIMARY KEY (entry_id),
	CONSTRAINT fk_families_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_families_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_families_dam FOREIGN KEY(dam) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_families_sire FOREIGN KEY(sire) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_families_change_id ON families (change_id);
CREATE INDEX ix_families_dam ON families (dam);
CREATE INDEX ix_families_ended_by ON families (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_families_old_key ON families (family_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_families_record_id ON families (record_id);
CREATE INDEX ix_families_sire ON families (sire);
CREATE UNIQUE INDEX uq_families_key ON families (family_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_families_record ON families (record_id) WHERE ended_by IS NULL;
CREATE TABLE finding_reviews (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	finding TEXT NOT NULL,
	code TEXT,
	"table" TEXT,
	record_key TEXT,
	"column" TEXT,
	evidence TEXT,
	who_decides TEXT,
	state TEXT,
	decided_by TEXT,
	decided_on TEXT,
	reason TEXT,
	CONSTRAINT pk_finding_reviews PRIMARY KEY (entry_id),
	CONSTRAINT fk_finding_reviews_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_finding_reviews_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_finding_reviews_change_id ON finding_reviews (change_id);
CREATE INDEX ix_finding_reviews_ended_by ON finding_reviews (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_finding_reviews_old_key ON finding_reviews (finding) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_finding_reviews_record_id ON finding_reviews (record_id);
CREATE UNIQUE INDEX uq_finding_reviews_key ON finding_reviews (finding) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_finding_reviews_record ON finding_reviews (record_id) WHERE ended_by IS NULL;
CREATE TABLE fish (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	fish_id TEXT NOT NULL,
	sex TEXT,
	sex_basis TEXT,
	origin TEXT,
	species TEXT,
	year_class BIGINT,
	hatched_on TEXT,
	entered_on TEXT,
	dam TEXT,
	sire TEXT,
	family TEXT,
	status TEXT,
	status_on TEXT,
	unit TEXT,
	tag TEXT,
	total_length_mm DOUBLE PRECISION,
	weight_g DOUBLE PRECISION,
	measured_on TEXT,
	note TEXT,
	CONSTRAINT pk_fish PRIMARY KEY (entry_id),
	CONSTRAINT fk_fish_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_fish_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_fish_dam FOREIGN KEY(dam) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_fish_sire FOREIGN KEY(sire) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_fish_family FOREIGN KEY(family) REFERENCES families_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_fish_unit FOREIGN KEY(unit) REFERENCES units_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_fish_change_id ON fish (change_id);
CREATE INDEX ix_fish_dam ON fish (dam);
CREATE INDEX ix_fish_ended_by ON fish (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_fish_family ON fish (family);
CREATE INDEX ix_fish_old_key ON fish (fish_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_fish_record_id ON fish (record_id);
CREATE INDEX ix_fish_sire ON fish (sire);
CREATE INDEX ix_fish_tag ON fish (tag);
CREATE INDEX ix_fish_unit ON fish (unit);
CREATE UNIQUE INDEX uq_fish_key ON fish (fish_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_fish_record ON fish (record_id) WHERE ended_by IS NULL;
CREATE TABLE frozen_milt (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	fish_id TEXT,
	frozen_on TEXT,
	straws BIGINT,
	straws_per_dish BIGINT,
	motility_pct DOUBLE PRECISION,
	store_place TEXT,
	CONSTRAINT pk_frozen_milt PRIMARY KEY (entry_id),
	CONSTRAINT fk_frozen_milt_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_frozen_milt_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_frozen_milt_fish_id FOREIGN KEY(fish_id) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_frozen_milt_change_id ON frozen_milt (change_id);
CREATE INDEX ix_frozen_milt_ended_by ON frozen_milt (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_frozen_milt_fish_id ON frozen_milt (fish_id);
CREATE INDEX ix_frozen_milt_record_id ON frozen_milt (record_id);
CREATE UNIQUE INDEX uq_frozen_milt_record ON frozen_milt (record_id) WHERE ended_by IS NULL;
CREATE TABLE group_moves (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	move_id TEXT NOT NULL,
	happened_on TEXT,
	kind TEXT,
	from_lot TEXT,
	from_unit TEXT,
	from_site TEXT,
	to_lot TEXT,
	to_unit TEXT,
	to_site TEXT,
	number BIGINT,
	method TEXT,
	error_pct DOUBLE PRECISION,
	family TEXT,
	family_numbers TEXT,
	family_error_pct DOUBLE PRECISION,
	permit_id TEXT,
	note TEXT,
	CONSTRAINT pk_group_moves PRIMARY KEY (entry_id),
	CONSTRAINT fk_group_moves_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_group_moves_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_group_moves_from_lot FOREIGN KEY(from_lot) REFERENCES lots_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_group_moves_from_unit FOREIGN KEY(from_unit) REFERENCES units_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_group_moves_from_site FOREIGN KEY(from_site) REFERENCES sites_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_group_moves_to_lot FOREIGN KEY(to_lot) REFERENCES lots_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_group_moves_to_unit FOREIGN KEY(to_unit) REFERENCES units_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_group_moves_to_site FOREIGN KEY(to_site) REFERENCES sites_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_group_moves_family FOREIGN KEY(family) REFERENCES families_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_group_moves_change_id ON group_moves (change_id);
CREATE INDEX ix_group_moves_ended_by ON group_moves (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_group_moves_family ON group_moves (family);
CREATE INDEX ix_group_moves_from_lot ON group_moves (from_lot);
CREATE INDEX ix_group_moves_from_site ON group_moves (from_site);
CREATE INDEX ix_group_moves_from_unit ON group_moves (from_unit);
CREATE INDEX ix_group_moves_old_key ON group_moves (move_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_group_moves_record_id ON group_moves (record_id);
CREATE INDEX ix_group_moves_to_lot ON group_moves (to_lot);
CREATE INDEX ix_group_moves_to_site ON group_moves (to_site);
CREATE INDEX ix_group_moves_to_unit ON group_moves (to_unit);
CREATE UNIQUE INDEX uq_group_moves_key ON group_moves (move_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_group_moves_record ON group_moves (record_id) WHERE ended_by IS NULL;
CREATE TABLE holds (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	subject TEXT,
	subject_kind TEXT,
	reason TEXT,
	from_date TEXT,
	until_date TEXT,
	note TEXT,
	CONSTRAINT pk_holds PRIMARY KEY (entry_id),
	CONSTRAINT fk_holds_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_holds_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_holds_change_id ON holds (change_id);
CREATE INDEX ix_holds_ended_by ON holds (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_holds_record_id ON holds (record_id);
CREATE UNIQUE INDEX uq_holds_record ON holds (record_id) WHERE ended_by IS NULL;
CREATE TABLE identifiers (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	fish_id TEXT,
	kind TEXT,
	code TEXT,
	from_date TEXT,
	to_date TEXT,
	note TEXT,
	CONSTRAINT pk_identifiers PRIMARY KEY (entry_id),
	CONSTRAINT fk_identifiers_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_identifiers_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_identifiers_fish_id FOREIGN KEY(fish_id) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_identifiers_change_id ON identifiers (change_id);
CREATE INDEX ix_identifiers_code ON identifiers (code);
CREATE INDEX ix_identifiers_ended_by ON identifiers (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_identifiers_fish_id ON identifiers (fish_id);
CREATE INDEX ix_identifiers_record_id ON identifiers (record_id);
CREATE UNIQUE INDEX uq_identifiers_record ON identifiers (record_id) WHERE ended_by IS NULL;
CREATE TABLE imports (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	import_id TEXT NOT NULL,
	file TEXT,
	sha256 TEXT,
	size BIGINT,
	"table" TEXT,
	mapping TEXT,
	declared TEXT,
	rows BIGINT,
	added BIGINT,
	changed BIGINT,
	same BIGINT,
	queued BIGINT,
	note TEXT,
	CONSTRAINT pk_imports PRIMARY KEY (entry_id),
	CONSTRAINT fk_imports_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_imports_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_imports_change_id ON imports (change_id);
CREATE INDEX ix_imports_ended_by ON imports (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_imports_old_key ON imports (import_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_imports_record_id ON imports (record_id);
CREATE UNIQUE INDEX uq_imports_key ON imports (import_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_imports_record ON imports (record_id) WHERE ended_by IS NULL;
CREATE TABLE larval_quotas (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	year_class BIGINT NOT NULL,
	zone TEXT NOT NULL,
	week_from TEXT NOT NULL,
	number BIGINT,
	night_share_max DOUBLE PRECISION,
	note TEXT,
	CONSTRAINT pk_larval_quotas PRIMARY KEY (entry_id),
	CONSTRAINT fk_larval_quotas_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_larval_quotas_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_larval_quotas_change_id ON larval_quotas (change_id);
CREATE INDEX ix_larval_quotas_ended_by ON larval_quotas (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_larval_quotas_old_key ON larval_quotas (year_class, zone, week_from) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_larval_quotas_record_id ON larval_quotas (record_id);
CREATE UNIQUE INDEX uq_larval_quotas_key ON larval_quotas (year_class, zone, week_from) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_larval_quotas_record ON larval_quotas (record_id) WHERE ended_by IS NULL;
CREATE TABLE larval_takes (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	take_id TEXT NOT NULL,
	collected_on TEXT,
	zone TEXT,
	year_class BIGINT,
	number BIGINT,
	effort_h DOUBLE PRECISION,
	family TEXT,
	CONSTRAINT pk_larval_takes PRIMARY KEY (entry_id),
	CONSTRAINT fk_larval_takes_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_larval_takes_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_larval_takes_family FOREIGN KEY(family) REFERENCES families_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_larval_takes_change_id ON larval_takes (change_id);
CREATE INDEX ix_larval_takes_ended_by ON larval_takes (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_larval_takes_family ON larval_takes (family);
CREATE INDEX ix_larval_takes_old_key ON larval_takes (take_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_larval_takes_record_id ON larval_takes (record_id);
CREATE UNIQUE INDEX uq_larval_takes_key ON larval_takes (take_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_larval_takes_record ON larval_takes (record_id) WHERE ended_by IS NULL;
CREATE TABLE loci (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	locus TEXT NOT NULL,
	kind TEXT,
	role TEXT,
	linkage_group TEXT,
	position BIGINT,
	foreign_allele TEXT,
	male_allele TEXT,
	marker_set TEXT,
	note TEXT,
	CONSTRAINT pk_loci PRIMARY KEY (entry_id),
	CONSTRAINT fk_loci_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_loci_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_loci_change_id ON loci (change_id);
CREATE INDEX ix_loci_ended_by ON loci (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_loci_old_key ON loci (locus) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_loci_record_id ON loci (record_id);
CREATE UNIQUE INDEX uq_loci_key ON loci (locus) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_loci_record ON loci (record_id) WHERE ended_by IS NULL;
CREATE TABLE lots (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	lot_id TEXT NOT NULL,
	year_class BIGINT,
	kind TEXT,
	stage TEXT,
	told_apart TEXT,
	opened_on TEXT,
	closed_on TEXT,
	note TEXT,
	CONSTRAINT pk_lots PRIMARY KEY (entry_id),
	CONSTRAINT fk_lots_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_lots_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_lots_change_id ON lots (change_id);
CREATE INDEX ix_lots_ended_by ON lots (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_lots_old_key ON lots (lot_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_lots_record_id ON lots (record_id);
CREATE UNIQUE INDEX uq_lots_key ON lots (lot_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_lots_record ON lots (record_id) WHERE ended_by IS NULL;
CREATE TABLE mappings (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	mapping TEXT NOT NULL,
	"table" TEXT NOT NULL,
	header TEXT NOT NULL,
	"column" TEXT,
	unit TEXT,
	note TEXT,
	CONSTRAINT pk_mappings PRIMARY KEY (entry_id),
	CONSTRAINT fk_mappings_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_mappings_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_mappings_change_id ON mappings (change_id);
CREATE INDEX ix_mappings_ended_by ON mappings (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_mappings_old_key ON mappings (mapping, "table", header) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_mappings_record_id ON mappings (record_id);
CREATE UNIQUE INDEX uq_mappings_key ON mappings (mapping, "table", header) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_mappings_record ON mappings (record_id) WHERE ended_by IS NULL;
CREATE TABLE measurements (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	subject_kind TEXT,
	subject TEXT,
	measured_on TEXT,
	kind TEXT,
	value DOUBLE PRECISION,
	unit TEXT,
	number BIGINT,
	spread DOUBLE PRECISION,
	method TEXT,
	note TEXT,
	CONSTRAINT pk_measurements PRIMARY KEY (entry_id),
	CONSTRAINT fk_measurements_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_measurements_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_measurements_change_id ON measurements (change_id);
CREATE INDEX ix_measurements_ended_by ON measurements (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_measurements_record_id ON measurements (record_id);
CREATE UNIQUE INDEX uq_measurements_record ON measurements (record_id) WHERE ended_by IS NULL;
CREATE TABLE merge_queue (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	item_id TEXT NOT NULL,
	"table" TEXT,
	our_record BIGINT,
	record_key TEXT,
	"column" TEXT,
	ours TEXT,
	theirs TEXT,
	theirs_source TEXT,
	found_on TEXT,
	state TEXT,
	decided_by TEXT,
	decided_on TEXT,
	reason TEXT,
	CONSTRAINT pk_merge_queue PRIMARY KEY (entry_id),
	CONSTRAINT fk_merge_queue_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_merge_queue_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_merge_queue_change_id ON merge_queue (change_id);
CREATE INDEX ix_merge_queue_ended_by ON merge_queue (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_merge_queue_old_key ON merge_queue (item_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_merge_queue_record_id ON merge_queue (record_id);
CREATE UNIQUE INDEX uq_merge_queue_key ON merge_queue (item_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_merge_queue_record ON merge_queue (record_id) WHERE ended_by IS NULL;
CREATE TABLE parent_claims (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	child TEXT,
	role TEXT,
	parent TEXT,
	source TEXT,
	confidence DOUBLE PRECISION,
	made_on TEXT,
	note TEXT,
	CONSTRAINT pk_parent_claims PRIMARY KEY (entry_id),
	CONSTRAINT fk_parent_claims_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_parent_claims_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_parent_claims_child FOREIGN KEY(child) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_parent_claims_parent FOREIGN KEY(parent) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_parent_claims_change_id ON parent_claims (change_id);
CREATE INDEX ix_parent_claims_child ON parent_claims (child);
CREATE INDEX ix_parent_claims_ended_by ON parent_claims (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_parent_claims_parent ON parent_claims (parent);
CREATE INDEX ix_parent_claims_record_id ON parent_claims (record_id);
CREATE UNIQUE INDEX uq_parent_claims_record ON parent_claims (record_id) WHERE ended_by IS NULL;
CREATE TABLE people (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	person_id TEXT NOT NULL,
	name TEXT,
	role TEXT,
	active BIGINT CONSTRAINT ck_people_active CHECK ("active" IN (0, 1)),
	note TEXT,
	CONSTRAINT pk_people PRIMARY KEY (entry_id),
	CONSTRAINT fk_people_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_people_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_people_change_id ON people (change_id);
CREATE INDEX ix_people_ended_by ON people (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_people_old_key ON people (person_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_people_record_id ON people (record_id);
CREATE UNIQUE INDEX uq_people_key ON people (person_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_people_record ON people (record_id) WHERE ended_by IS NULL;
CREATE TABLE permits (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	permit_id TEXT,
	activity TEXT,
	stage TEXT,
	limit_number BIGINT,
	used BIGINT,
	valid_from TEXT,
	valid_until TEXT,
	phone_note TEXT,
	CONSTRAINT pk_permits PRIMARY KEY (entry_id),
	CONSTRAINT fk_permits_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_permits_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_permits_change_id ON permits (change_id);
CREATE INDEX ix_permits_ended_by ON permits (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_permits_record_id ON permits (record_id);
CREATE UNIQUE INDEX uq_permits_record ON permits (record_id) WHERE ended_by IS NULL;
CREATE TABLE plan_lines (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	plan_id TEXT NOT NULL,
	line BIGINT NOT NULL,
	what TEXT,
	dam TEXT,
	sire TEXT,
	fish_id TEXT,
	family TEXT,
	unit TEXT,
	site_id TEXT,
	number BIGINT,
	due_on TEXT,
	state TEXT,
	note TEXT,
	CONSTRAINT pk_plan_lines PRIMARY KEY (entry_id),
	CONSTRAINT fk_plan_lines_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_plan_lines_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_plan_lines_plan_id FOREIGN KEY(plan_id) REFERENCES plans_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_plan_lines_dam FOREIGN KEY(dam) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_plan_lines_sire FOREIGN KEY(sire) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_plan_lines_fish_id FOREIGN KEY(fish_id) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_plan_lines_family FOREIGN KEY(family) REFERENCES families_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_plan_lines_unit FOREIGN KEY(unit) REFERENCES units_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_plan_lines_site_id FOREIGN KEY(site_id) REFERENCES sites_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_plan_lines_change_id ON plan_lines (change_id);
CREATE INDEX ix_plan_lines_dam ON plan_lines (dam);
CREATE INDEX ix_plan_lines_ended_by ON plan_lines (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_plan_lines_family ON plan_lines (family);
CREATE INDEX ix_plan_lines_fish_id ON plan_lines (fish_id);
CREATE INDEX ix_plan_lines_old_key ON plan_lines (plan_id, line) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_plan_lines_record_id ON plan_lines (record_id);
CREATE INDEX ix_plan_lines_sire ON plan_lines (sire);
CREATE INDEX ix_plan_lines_site_id ON plan_lines (site_id);
CREATE INDEX ix_plan_lines_unit ON plan_lines (unit);
CREATE UNIQUE INDEX uq_plan_lines_key ON plan_lines (plan_id, line) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_plan_lines_record ON plan_lines (record_id) WHERE ended_by IS NULL;
CREATE TABLE plans (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	plan_id TEXT NOT NULL,
	kind TEXT,
	version BIGINT,
	made_on TEXT,
	made_by TEXT,
	data_change BIGINT,
	data_hash TEXT,
	seed BIGINT,
	settings TEXT,
	mark TEXT,
	state TEXT,
	content TEXT,
	note TEXT,
	CONSTRAINT pk_plans PRIMARY KEY (entry_id),
	CONSTRAINT fk_plans_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_plans_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_plans_change_id ON plans (change_id);
CREATE INDEX ix_plans_ended_by ON plans (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_plans_old_key ON plans (plan_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_plans_record_id ON plans (record_id);
CREATE UNIQUE INDEX uq_plans_key ON plans (plan_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_plans_record ON plans (record_id) WHERE ended_by IS NULL;
CREATE TABLE proposals (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	proposal_id TEXT NOT NULL,
	act TEXT,
	subject TEXT,
	content TEXT,
	reason TEXT,
	proposed_by TEXT,
	proposed_on TEXT,
	state TEXT,
	decided_by TEXT,
	decided_on TEXT,
	answer TEXT,
	CONSTRAINT pk_proposals PRIMARY KEY (entry_id),
	CONSTRAINT fk_proposals_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_proposals_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_proposals_change_id ON proposals (change_id);
CREATE INDEX ix_proposals_ended_by ON proposals (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_proposals_old_key ON proposals (proposal_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_proposals_record_id ON proposals (record_id);
CREATE UNIQUE INDEX uq_proposals_key ON proposals (proposal_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_proposals_record ON proposals (record_id) WHERE ended_by IS NULL;
CREATE TABLE releases (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	event TEXT,
	released_on TEXT,
	site_id TEXT,
	tag TEXT,
	family TEXT,
	year_class BIGINT,
	sex TEXT,
	total_length_mm DOUBLE PRECISION,
	weight_g DOUBLE PRECISION,
	truck TEXT,
	CONSTRAINT pk_releases PRIMARY KEY (entry_id),
	CONSTRAINT fk_releases_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_releases_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_releases_site_id FOREIGN KEY(site_id) REFERENCES sites_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_releases_family FOREIGN KEY(family) REFERENCES families_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_releases_change_id ON releases (change_id);
CREATE INDEX ix_releases_ended_by ON releases (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_releases_family ON releases (family);
CREATE INDEX ix_releases_record_id ON releases (record_id);
CREATE INDEX ix_releases_site_id ON releases (site_id);
CREATE INDEX ix_releases_tag ON releases (tag);
CREATE UNIQUE INDEX uq_releases_record ON releases (record_id) WHERE ended_by IS NULL;
CREATE TABLE renovations (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	renovation_id TEXT NOT NULL,
	site_id TEXT,
	from_date TEXT,
	to_date TEXT,
	kind TEXT,
	checked_on TEXT,
	note TEXT,
	CONSTRAINT pk_renovations PRIMARY KEY (entry_id),
	CONSTRAINT fk_renovations_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_renovations_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_renovations_site_id FOREIGN KEY(site_id) REFERENCES sites_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_renovations_change_id ON renovations (change_id);
CREATE INDEX ix_renovations_ended_by ON renovations (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_renovations_old_key ON renovations (renovation_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_renovations_record_id ON renovations (record_id);
CREATE INDEX ix_renovations_site_id ON renovations (site_id);
CREATE UNIQUE INDEX uq_renovations_key ON renovations (renovation_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_renovations_record ON renovations (record_id) WHERE ended_by IS NULL;
CREATE TABLE residents (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	site_id TEXT,
	family TEXT,
	number BIGINT,
	counted_on TEXT,
	method TEXT,
	CONSTRAINT pk_residents PRIMARY KEY (entry_id),
	CONSTRAINT fk_residents_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_residents_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_residents_site_id FOREIGN KEY(site_id) REFERENCES sites_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_residents_family FOREIGN KEY(family) REFERENCES families_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_residents_change_id ON residents (change_id);
CREATE INDEX ix_residents_ended_by ON residents (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_residents_family ON residents (family);
CREATE INDEX ix_residents_record_id ON residents (record_id);
CREATE INDEX ix_residents_site_id ON residents (site_id);
CREATE UNIQUE INDEX uq_residents_record ON residents (record_id) WHERE ended_by IS NULL;
CREATE TABLE ripeness (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	fish_id TEXT NOT NULL,
	checked_on TEXT NOT NULL,
	state TEXT,
	window_start TEXT,
	window_end TEXT,
	probability DOUBLE PRECISION,
	CONSTRAINT pk_ripeness PRIMARY KEY (entry_id),
	CONSTRAINT fk_ripeness_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_ripeness_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_ripeness_fish_id FOREIGN KEY(fish_id) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_ripeness_change_id ON ripeness (change_id);
CREATE INDEX ix_ripeness_ended_by ON ripeness (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_ripeness_old_key ON ripeness (fish_id, checked_on) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_ripeness_record_id ON ripeness (record_id);
CREATE UNIQUE INDEX uq_ripeness_key ON ripeness (fish_id, checked_on) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_ripeness_record ON ripeness (record_id) WHERE ended_by IS NULL;
CREATE TABLE samples (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	sample_id TEXT NOT NULL,
	fish_id TEXT,
	stock_id TEXT,
	"group" TEXT,
	year_class BIGINT,
	family TEXT,
	site_id TEXT,
	line TEXT,
	zone TEXT,
	collected_on TEXT,
	replicate_of TEXT,
	plate TEXT,
	well TEXT,
	haplotype TEXT,
	marker_set TEXT,
	CONSTRAINT pk_samples PRIMARY KEY (entry_id),
	CONSTRAINT fk_samples_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_samples_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_samples_fish_id FOREIGN KEY(fish_id) REFERENCES fish_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_samples_stock_id FOREIGN KEY(stock_id) REFERENCES stock_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_samples_family FOREIGN KEY(family) REFERENCES families_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_samples_site_id FOREIGN KEY(site_id) REFERENCES sites_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_samples_replicate_of FOREIGN KEY(replicate_of) REFERENCES samples_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_samples_change_id ON samples (change_id);
CREATE INDEX ix_samples_ended_by ON samples (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_samples_family ON samples (family);
CREATE INDEX ix_samples_fish_id ON samples (fish_id);
CREATE INDEX ix_samples_old_key ON samples (sample_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_samples_record_id ON samples (record_id);
CREATE INDEX ix_samples_replicate_of ON samples (replicate_of);
CREATE INDEX ix_samples_site_id ON samples (site_id);
CREATE INDEX ix_samples_stock_id ON samples (stock_id);
CREATE UNIQUE INDEX uq_samples_key ON samples (sample_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_samples_record ON samples (record_id) WHERE ended_by IS NULL;
CREATE TABLE scans (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	deployment_id TEXT,
	scanned_at TEXT,
	tag TEXT,
	CONSTRAINT pk_scans PRIMARY KEY (entry_id),
	CONSTRAINT fk_scans_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_scans_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_scans_deployment_id FOREIGN KEY(deployment_id) REFERENCES deployments_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_scans_change_id ON scans (change_id);
CREATE INDEX ix_scans_deployment_id ON scans (deployment_id);
CREATE INDEX ix_scans_ended_by ON scans (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_scans_record_id ON scans (record_id);
CREATE INDEX ix_scans_tag ON scans (tag);
CREATE UNIQUE INDEX uq_scans_record ON scans (record_id) WHERE ended_by IS NULL;
CREATE TABLE settings (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	name TEXT NOT NULL,
	value TEXT,
	unit TEXT,
	source TEXT,
	note TEXT,
	CONSTRAINT pk_settings PRIMARY KEY (entry_id),
	CONSTRAINT fk_settings_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_settings_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_settings_change_id ON settings (change_id);
CREATE INDEX ix_settings_ended_by ON settings (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_settings_old_key ON settings (name) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_settings_record_id ON settings (record_id);
CREATE UNIQUE INDEX uq_settings_key ON settings (name) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_settings_record ON settings (record_id) WHERE ended_by IS NULL;
CREATE TABLE sites (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	site_id TEXT NOT NULL,
	name TEXT,
	kind TEXT,
	river_km DOUBLE PRECISION,
	latitude DOUBLE PRECISION,
	longitude DOUBLE PRECISION,
	area_ha DOUBLE PRECISION,
	max_depth_m DOUBLE PRECISION,
	capacity_fish BIGINT,
	capacity_kg DOUBLE PRECISION,
	predators TEXT,
	surveyed_on TEXT,
	connection TEXT,
	berm_m DOUBLE PRECISION,
	renovated_on TEXT,
	water_risk BIGINT,
	min_length_mm DOUBLE PRECISION,
	min_group BIGINT,
	wanted BIGINT,
	max_receive BIGINT,
	open_for_release BIGINT CONSTRAINT ck_sites_open_for_release CHECK ("open_for_release" IN (0, 1)),
	weight DOUBLE PRECISION,
	purpose TEXT,
	partner TEXT,
	closed_months TEXT,
	water_temperature_c DOUBLE PRECISION,
	tempering BIGINT CONSTRAINT ck_sites_tempering CHECK ("tempering" IN (0, 1)),
	note TEXT,
	CONSTRAINT pk_sites PRIMARY KEY (entry_id),
	CONSTRAINT fk_sites_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_sites_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_sites_change_id ON sites (change_id);
CREATE INDEX ix_sites_ended_by ON sites (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_sites_old_key ON sites (site_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_sites_record_id ON sites (record_id);
CREATE UNIQUE INDEX uq_sites_key ON sites (site_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_sites_record ON sites (record_id) WHERE ended_by IS NULL;
CREATE TABLE stock (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	stock_id TEXT NOT NULL,
	tag TEXT,
	family TEXT,
	year_class BIGINT,
	sex TEXT,
	total_length_mm DOUBLE PRECISION,
	weight_g DOUBLE PRECISION,
	measured_on TEXT,
	unit TEXT,
	tagged_on TEXT,
	withdrawal_until TEXT,
	gone_on TEXT,
	note TEXT,
	CONSTRAINT pk_stock PRIMARY KEY (entry_id),
	CONSTRAINT fk_stock_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_stock_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_stock_family FOREIGN KEY(family) REFERENCES families_names (name) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_stock_unit FOREIGN KEY(unit) REFERENCES units_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_stock_change_id ON stock (change_id);
CREATE INDEX ix_stock_ended_by ON stock (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_stock_family ON stock (family);
CREATE INDEX ix_stock_old_key ON stock (stock_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_stock_record_id ON stock (record_id);
CREATE INDEX ix_stock_tag ON stock (tag);
CREATE INDEX ix_stock_unit ON stock (unit);
CREATE UNIQUE INDEX uq_stock_key ON stock (stock_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_stock_record ON stock (record_id) WHERE ended_by IS NULL;
CREATE TABLE surveys (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	survey_id TEXT NOT NULL,
	site_id TEXT,
	surveyed_on TEXT,
	predators TEXT,
	predator_kinds TEXT,
	effort_h DOUBLE PRECISION,
	method TEXT,
	area_ha DOUBLE PRECISION,
	max_depth_m DOUBLE PRECISION,
	water_temperature_c DOUBLE PRECISION,
	oxygen_mg_l DOUBLE PRECISION,
	plant_cover_pct DOUBLE PRECISION,
	berm_m DOUBLE PRECISION,
	note TEXT,
	CONSTRAINT pk_surveys PRIMARY KEY (entry_id),
	CONSTRAINT fk_surveys_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_surveys_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_surveys_site_id FOREIGN KEY(site_id) REFERENCES sites_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_surveys_change_id ON surveys (change_id);
CREATE INDEX ix_surveys_ended_by ON surveys (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_surveys_old_key ON surveys (survey_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_surveys_record_id ON surveys (record_id);
CREATE INDEX ix_surveys_site_id ON surveys (site_id);
CREATE UNIQUE INDEX uq_surveys_key ON surveys (survey_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_surveys_record ON surveys (record_id) WHERE ended_by IS NULL;
CREATE TABLE survival (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	site_id TEXT,
	site_kind TEXT,
	season TEXT,
	intercept DOUBLE PRECISION,
	slope_per_mm DOUBLE PRECISION,
	intercept_se DOUBLE PRECISION,
	source TEXT,
	slope_se DOUBLE PRECISION,
	state TEXT,
	accepted_by TEXT,
	accepted_on TEXT,
	records_mark TEXT,
	CONSTRAINT pk_survival PRIMARY KEY (entry_id),
	CONSTRAINT fk_survival_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_survival_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_survival_site_id FOREIGN KEY(site_id) REFERENCES sites_names (name) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_survival_change_id ON survival (change_id);
CREATE INDEX ix_survival_ended_by ON survival (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_survival_record_id ON survival (record_id);
CREATE INDEX ix_survival_site_id ON survival (site_id);
CREATE UNIQUE INDEX uq_survival_record ON survival (record_id) WHERE ended_by IS NULL;
CREATE TABLE tags_bought (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	box TEXT,
	first_code TEXT,
	last_code TEXT,
	bought_on TEXT,
	purpose TEXT,
	CONSTRAINT pk_tags_bought PRIMARY KEY (entry_id),
	CONSTRAINT fk_tags_bought_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_tags_bought_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_tags_bought_change_id ON tags_bought (change_id);
CREATE INDEX ix_tags_bought_ended_by ON tags_bought (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_tags_bought_first_code ON tags_bought (first_code);
CREATE INDEX ix_tags_bought_last_code ON tags_bought (last_code);
CREATE INDEX ix_tags_bought_record_id ON tags_bought (record_id);
CREATE UNIQUE INDEX uq_tags_bought_record ON tags_bought (record_id) WHERE ended_by IS NULL;
CREATE TABLE tags_scrapped (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	first_code TEXT NOT NULL,
	last_code TEXT,
	scrapped_on TEXT,
	reason TEXT,
	note TEXT,
	CONSTRAINT pk_tags_scrapped PRIMARY KEY (entry_id),
	CONSTRAINT fk_tags_scrapped_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_tags_scrapped_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_tags_scrapped_change_id ON tags_scrapped (change_id);
CREATE INDEX ix_tags_scrapped_ended_by ON tags_scrapped (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_tags_scrapped_last_code ON tags_scrapped (last_code);
CREATE INDEX ix_tags_scrapped_old_key ON tags_scrapped (first_code) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_tags_scrapped_record_id ON tags_scrapped (record_id);
CREATE UNIQUE INDEX uq_tags_scrapped_key ON tags_scrapped (first_code) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_tags_scrapped_record ON tags_scrapped (record_id) WHERE ended_by IS NULL;
CREATE TABLE treatments (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	treatment_id TEXT NOT NULL,
	subject_kind TEXT,
	subject TEXT,
	reason TEXT,
	product_class TEXT,
	started_on TEXT,
	ended_on TEXT,
	withdrawal_until TEXT,
	ordered_by TEXT,
	note TEXT,
	CONSTRAINT pk_treatments PRIMARY KEY (entry_id),
	CONSTRAINT fk_treatments_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_treatments_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_treatments_change_id ON treatments (change_id);
CREATE INDEX ix_treatments_ended_by ON treatments (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_treatments_old_key ON treatments (treatment_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_treatments_record_id ON treatments (record_id);
CREATE UNIQUE INDEX uq_treatments_key ON treatments (treatment_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_treatments_record ON treatments (record_id) WHERE ended_by IS NULL;
CREATE TABLE trucks (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	truck TEXT NOT NULL,
	volume_l DOUBLE PRECISION,
	kg_per_l DOUBLE PRECISION,
	trips_per_day BIGINT,
	stops BIGINT,
	in_service BIGINT CONSTRAINT ck_trucks_in_service CHECK ("in_service" IN (0, 1)),
	note TEXT,
	CONSTRAINT pk_trucks PRIMARY KEY (entry_id),
	CONSTRAINT fk_trucks_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_trucks_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_trucks_change_id ON trucks (change_id);
CREATE INDEX ix_trucks_ended_by ON trucks (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_trucks_old_key ON trucks (truck) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_trucks_record_id ON trucks (record_id);
CREATE UNIQUE INDEX uq_trucks_key ON trucks (truck) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_trucks_record ON trucks (record_id) WHERE ended_by IS NULL;
CREATE TABLE units (
	entry_id BIGINT NOT NULL,
	record_id BIGINT NOT NULL,
	change_id BIGINT NOT NULL,
	ended_by BIGINT,
	source_row BIGINT,
	unit_id TEXT NOT NULL,
	building TEXT,
	kind TEXT,
	walk_order BIGINT,
	volume_l DOUBLE PRECISION,
	capacity_fish BIGINT,
	water_risk BIGINT,
	water_temperature_c DOUBLE PRECISION,
	CONSTRAINT pk_units PRIMARY KEY (entry_id),
	CONSTRAINT fk_units_change_id FOREIGN KEY(change_id) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED,
	CONSTRAINT fk_units_ended_by FOREIGN KEY(ended_by) REFERENCES change (change_id) DEFERRABLE INITIALLY DEFERRED
);
CREATE INDEX ix_units_change_id ON units (change_id);
CREATE INDEX ix_units_ended_by ON units (ended_by) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_units_old_key ON units (unit_id) WHERE ended_by IS NOT NULL;
CREATE INDEX ix_units_record_id ON units (record_id);
CREATE UNIQUE INDEX uq_units_key ON units (unit_id) WHERE ended_by IS NULL;
CREATE UNIQUE INDEX uq_units_record ON units (record_id) WHERE ended_by IS NULL;
