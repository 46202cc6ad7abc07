// Prints the canonical form (RFC 8785) of each JSON file named on the command
// line, one a line. JSON.stringify writes numbers and text as RFC 8785 asks for;
// what is left is to put the members in order.
import { readFileSync } from "node:fs";

const ordered = (value) => {
  if (Array.isArray(value)) return value.map(ordered);
  if (value === null || typeof value !== "object") return value;
  return Object.fromEntries(Object.keys(value).sort().map((name) => [name, ordered(value[name])]));
};

for (const name of process.argv.slice(2)) {
  console.log(JSON.stringify(ordered(JSON.parse(readFileSync(name, "utf8")))));
}
