// Export: sheet, report, patch, MIDI file, sounds.

import * as api from "./api.js";
import { attempt, button, h, link, number, replace } from "./dom.js";
import * as player from "./foot.js";
import { restingList, sheetTable } from "./slip.js";
import { loadRun } from "./store.js";
import { noRun } from "./view-patch.js";

export async function show(root, chosen) {
  player.hide();
  if (!chosen.run) {
    noRun(root, "Export", chosen);
    return;
  }
  const run = await attempt(() => loadRun(chosen.run));
  const sheet = run && (await attempt(() => api.get(api.path("runs", run.name, "sheet"))));
  if (!sheet || chosen.isGone()) return;
  const to = (...parts) => api.path("runs", run.name, ...parts);
  const file = (text, address, id, name) => link(text, address, { download: name || "", id });
  replace(root, h("h1", {}, "Export"),
    h("div", { class: "card no-print" }, h("div", { class: "row" },
      button("Print the patch sheet", () => window.print(), { class: "main" }),
      file("Patch sheet as text", to("sheet.txt"), "take-sheet"),
      file("Patch file", to("patch"), "take-patch"),
      file(sheet.has_midi ? "MIDI file" : "MIDI file (MIDI's recommended sound controllers)", to("midi"), "take-midi"),
      link("Report", to("report"), { target: "_blank", id: "take-report" })),
    h("h2", {}, "Sounds"),
    h("ul", { class: "files" }, run.notes.map((note, i) => h("li", {}, `${note.name}: `,
      ["target", "match"].map((which) => [file(`Save the ${which}`, to("notes", i, which, "sound"), null, `${note.name}-${which}.wav`), " "]))))),
    sheetTable(run, sheet, number(run.loss.end.total)),
    sheet.resting.length > 0 && h("div", { class: "card" }, h("h2", {}, "Controls that stay off"),
      restingList(sheet.resting)));
}
