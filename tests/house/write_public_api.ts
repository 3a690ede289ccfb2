/** Writes the list of what the doors let out. Read the difference before you commit it: it is a decision. */
import { writeFileSync } from "node:fs";
import { publicNames } from "./doors.ts";

const names = await publicNames();
writeFileSync(new URL("./public_api.txt", import.meta.url), `${names.join("\n")}\n`);
console.log(`${names.length} names written to tests/house/public_api.txt`);
