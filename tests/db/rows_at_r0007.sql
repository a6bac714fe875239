-- The unit of the first rows came back and was repaired, as the seventh schema stores it. All invented.
INSERT INTO "unit_return" VALUES(X'01A211944468743DABF7C3F3313892A1',(SELECT id FROM unit WHERE serial = 'TR-0001-7'),'out of tune','sharp in the top octave','reception',1772439000000000);
INSERT INTO "suspicion" VALUES(X'01A211923468743DABF7C3F3313891EB','',0,X'01A211923468743DABF7C3F3313891EB','highs',0.93,'The highs term has moved.');
INSERT INTO "repair" VALUES(X'01A211944468743DABF7C3F3313892B1',(SELECT id FROM unit WHERE serial = 'TR-0001-7'),'["core capacitor"]','soldered anew','bench hand',1772439000000000);
