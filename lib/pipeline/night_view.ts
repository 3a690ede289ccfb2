/** How a night shows itself: in time, then what is not simply kept, then the calibration left out. */
import { nightTimeline } from "../view/night_timeline.ts";
import { registerView, type Showable } from "../view/show.ts";
import { table } from "../view/table.ts";
import { type Night, selectedLights, stateOf } from "./night.ts";
import { reportFrame } from "./night_report.ts";

/** Widest a column of the tables may become, drawing units: five of them stand on a page. */
const maximumColumnWidth = 270;

/**
 * A night on a page: its lights in time with spells of trouble, a table of those that are not simply kept with cause,
 * evidence and remedy, and a table of the calibration left out. Tables without a row are left out.
 */
export function nightView(night: Night): readonly Showable[] {
  const rigs = [...new Set(night.lights.map(({ rig }) => rig))].join(", ");
  const title = rigs === "" ? "The night" : `The night of ${rigs}`;
  const timeline = nightTimeline(selectedLights(stateOf("show", night)).map(reportFrame), { title, width: 960 });
  const spoilt = night.lights.filter(({ verdict, cause }) => verdict !== "keep" || cause !== "clear sky");
  const notGood = [
    ...spoilt.map(({ file, verdict, cause, evidence, remedy }) => ({ light: file, verdict, cause, evidence, remedy })),
    ...night.unreadable.map(({ file, message }) => ({
      light: file,
      verdict: "unreadable",
      cause: "unreadable file",
      evidence: message,
      remedy: null,
    })),
  ];
  const leftOut = night.calibration.filter(({ used }) => !used).map(({ file, reason }) => ({ file, reason }));
  return [
    timeline,
    ...tableOf("Lights that are not simply good", notGood, maximumColumnWidth),
    ...tableOf("Calibration left out", leftOut, 2 * maximumColumnWidth),
  ];
}

/** A table under its heading; none without rows. */
function tableOf(title: string, rows: Parameters<typeof table>[0], widest: number): readonly Showable[] {
  return rows.length === 0 ? [] : [table(rows, { title, maximumColumnWidth: widest })];
}

registerView("night", nightView);
