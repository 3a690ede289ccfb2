/** What would be put on a notebook's page. */
import { type DisplayMessage, displayTo } from "../../lib/view/display.ts";

/** Messages from now on; `displayTo(null)` ends it. */
export function shownMessages(): readonly DisplayMessage[] {
  const messages: DisplayMessage[] = [];
  displayTo((message) => messages.push(message));
  return messages;
}
