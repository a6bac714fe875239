-- A visit that was interrupted, and why it was closed, as the tenth schema stores it. All invented.
INSERT INTO "visit_closing" VALUES(X'01A211954468743DABF7C3F3313891EB','the unit went to the repair shop','operator 2',1772615000000000);
INSERT INTO "visit" VALUES(X'01A211954468743DABF7C3F3313891EB',(SELECT id FROM unit WHERE serial = 'TR-0001-7'),(SELECT product_revision_id FROM visit LIMIT 1),(SELECT bench_revision_id FROM visit LIMIT 1),'operator 1','work','0.1.0',1772611200000000,1772615000000000,'stopped',22.5,1,7);
