// node fhir_validate.js PACKAGE DEFINITIONS BUNDLE: problems of a bundle by FHIR.js, as JSON.
const { Fhir, ParseConformance } = require(process.argv[2]);
const fs = require("fs");
const read = (path) => JSON.parse(fs.readFileSync(path, "utf8"));
const parser = new ParseConformance(true);
for (const { resource } of read(process.argv[3]).entry) {
  if (resource.resourceType === "CodeSystem") parser.loadCodeSystem(resource);
  if (resource.resourceType === "StructureDefinition") parser.parseStructureDefinition(resource);
}
const result = new Fhir(parser).validate(read(process.argv[4]), { errorOnUnexpected: true });
console.log(JSON.stringify({ valid: result.valid, messages: result.messages }));
