// Makes the types of the API of its description: node types.mjs FROM TO
import { readFile, writeFile } from "node:fs/promises";
import openapiTS, { astToString } from "openapi-typescript";

const [from, to] = process.argv.slice(2);
// Answers may grow, and the description says so of every object. As types that
// would let any misspelt name pass.
const doc = JSON.parse(await readFile(from, "utf8"), (key, value) => {
  if (value && typeof value === "object" && value.additionalProperties === true) delete value.additionalProperties;
  return value;
});
await writeFile(to, "// Made by types.mjs of " + from.split("/").pop() + ": not to be edited.\n" + astToString(await openapiTS(doc)));
