/** Writes the list of what the public door lets out. Read the difference before you commit it: it is a decision. */
import { writeFileSync } from "node:fs";
import * as door from "../../lib/mod.ts";

const names = Object.keys(door).sort();
writeFileSync(new URL("./public_api.txt", import.meta.url), `${names.join("\n")}\n`);
console.log(`${names.length} names written to tests/house/public_api.txt`);
