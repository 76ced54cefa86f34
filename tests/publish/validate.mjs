// node validate.mjs MODULES SCHEMA FOLDER: holds the datapackage.json of FOLDER against both versions of the Data Package
// standard. MODULES is where the validators are installed. Each fault is a line; exit status 0: none, 1: some.
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { join, resolve } from "node:path";

const [modules, schema, folder] = process.argv.slice(2).map((word) => resolve(word));
const require = createRequire(join(modules, "package.json"));
const { Package } = require("datapackage");
const Ajv = require("ajv").default;
const addFormats = require("ajv-formats").default;

const file = join(folder, "datapackage.json");
const descriptor = JSON.parse(readFileSync(file, "utf8"));
const faults = [];

// Version 2: the shape of the descriptor. $ref and formats are checked, keys of our own are allowed.
const ajv = new Ajv({ allErrors: true, strict: false });
addFormats(ajv);
const conforms = ajv.compile(JSON.parse(readFileSync(schema, "utf8")));
if (!conforms(descriptor)) {
  for (const e of conforms.errors) faults.push(`version 2: ${e.instancePath || "/"} ${e.message}`);
}
const names = (descriptor.resources ?? []).map((resource) => resource.name);
for (const name of names.filter((name, i) => names.indexOf(name) !== i)) {
  faults.push(`version 2: two resources are named ${name}`);
}

// Version 1: the profiles that the validator brings, and then every row of every table against its schema.
let rows = 0;
const tables = [];
try {
  const data = await Package.load(file);
  for (const e of data.errors) faults.push(`version 1: ${e.message}`);
  if (data.valid) tables.push(...data.resources.filter((resource) => resource.tabular));
} catch (e) {
  faults.push(`version 1: ${[e, ...(e.errors ?? [])].map((one) => one.message).join("; ")}`);
}
for (const table of tables) {
  try {
    rows += (await table.read()).length;
  } catch (e) {
    faults.push(`version 1: ${table.name}: ${[e, ...(e.errors ?? [])].map((one) => one.message).join("; ")}`);
  }
}

// What the standards leave open and this project promises: texts that say what it is, and a unit for every column.
// UCUM: micro is u, the second s, unity 1; what stands in braces is an annotation of unity.
const units = new Set(["us", "{count}", "{microstep}", "1"]);
for (const key of ["name", "title", "description", "licenses", "contributors", "sources", "keywords", "created"]) {
  if (descriptor[key] === undefined || descriptor[key].length === 0) faults.push(`publishing: ${key} is missing`);
}
for (const licence of descriptor.licenses ?? []) {
  for (const key of ["name", "title", "path"]) if (!licence[key]) faults.push(`publishing: a licence has no ${key}`);
}
for (const resource of descriptor.resources ?? []) {
  for (const key of ["title", "format", "mediatype", "encoding", "bytes", "hash"]) {
    if (resource[key] === undefined) faults.push(`publishing: ${resource.name} has no ${key}`);
  }
  if (resource.format === "csv" && !(resource.schema && resource.dialect)) {
    faults.push(`publishing: ${resource.name} has no schema or no dialect`);
  }
  for (const field of resource.schema?.fields ?? []) {
    if (!units.has(field.unit)) faults.push(`publishing: ${resource.name}, ${field.name}: unit ${field.unit} is not UCUM`);
    if (!field.title || !field.description) faults.push(`publishing: ${resource.name}, ${field.name} is not described`);
  }
}

if (faults.length > 0) {
  console.log([...faults.slice(0, 50), ...(faults.length > 50 ? [`and ${faults.length - 50} more`] : [])].join("\n"));
  process.exit(1);
}
console.log(`versions 1 and 2: ${names.length} resources, ${tables.length} tables, ${rows} rows`);
