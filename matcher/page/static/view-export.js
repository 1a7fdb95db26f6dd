// Export: sheet, report, patch, MIDI file, sounds.

import * as api from "./api.js";
import { attempt, button, h, replace, scrollable } from "./dom.js";
import * as player from "./foot.js";
import { loadRun } from "./store.js";
import { noRun } from "./view-listen.js";

export async function show(root, chosen) {
  player.hide();
  if (!chosen.run) {
    noRun(root, "Export");
    return;
  }
  const run = await attempt(() => loadRun(chosen.run));
  const sheet = run && (await attempt(() => api.get(api.path("runs", run.name, "sheet"))));
  if (!sheet || chosen.isGone()) return;
  const to = (...parts) => api.path("runs", run.name, ...parts);
  const file = (text, address, id, name) => h("a", { href: address, download: name || "", class: "button", id }, text);
  replace(root, h("h1", {}, "Export"),
    h("div", { class: "card no-print" }, h("div", { class: "row" },
      button("Print the patch sheet", () => window.print(), { class: "main" }),
      file("Patch sheet as text", to("sheet.txt"), "take-sheet"),
      file("Patch file", to("patch"), "take-patch"),
      file(sheet.has_midi ? "MIDI file" : "MIDI file (MIDI's recommended sound controllers)", to("midi"), "take-midi"),
      h("a", { href: to("report"), target: "_blank", rel: "noopener", class: "button", id: "take-report" }, "Report")),
    h("h2", {}, "Sounds"),
    h("ul", { class: "files" }, run.notes.map((note, i) => h("li", {}, `${note.name}: `,
      ["target", "match"].map((which) => [file(`Save the ${which}`, to("notes", i, which, "sound"), null, `${note.name}-${which}.wav`), " "]))))),
    sheetTable(run, sheet),
    sheet.resting.length > 0 && h("div", { class: "card" }, h("h2", {}, "Controls that stay off"),
      restingList(sheet.resting)));
}

function restingList(rows) {
  const parts = [...new Set(rows.map((row) => row.part))];
  return h("ul", { class: "resting" }, parts.map((part) => h("li", {}, h("b", {}, part), ": ",
    rows.filter((row) => row.part === part).map((row) => `${row.label} ${row.panel || row.value}`).join(", "))));
}

function sheetTable(run, sheet) {
  const hasPanel = sheet.rows.some((row) => row.panel !== null);
  const hasSteps = sheet.rows.some((row) => row.step);
  const hasSlack = sheet.rows.some((row) => row.slack);
  const titles = ["Control", "Value", hasPanel && "Panel", hasSlack && "Sounds the same", hasSteps && "One step"].filter(Boolean);
  const labels = new Map(sheet.rows.map((row) => [row.name, row.label]));
  const parts = [...new Set(sheet.rows.map((row) => row.part))];
  // About as many lines of paper as rows and sentences take; see the rules for printing.
  const n = sheet.rows.length + sheet.rows.filter((row) => row.slack).length + 1.6 * sheet.rows.filter((row) => row.step).length + 1.5 * parts.length;
  return h("section", { class: `card sheet ${n > 130 ? "tight" : n > 70 ? "dense" : ""}` },
    h("h2", {}, `Patch sheet: ${run.name}`),
    h("p", { class: "quiet" }, `${run.structure.name}: ${run.structure.meaning} Parts that are off are left out.`),
    scrollable("Patch sheet", h("table", { class: "stacks" }, h("thead", {}, h("tr", {}, titles.map((text) => h("th", { scope: "col" }, text)))),
      parts.map((part) => h("tbody", {},
        h("tr", {}, h("th", { colspan: String(titles.length), scope: "rowgroup", class: "part-title" }, part)),
        sheet.rows.filter((row) => row.part === part).map((row) => h("tr", {},
          h("td", {}, row.label), h("td", { class: "value" }, row.linked_to ? `as ${labels.get(row.linked_to) || row.linked_to}` : row.value),
          hasPanel && h("td", { class: "value" }, row.panel ?? ""),
          hasSlack && h("td", { class: "wide remark" }, row.slack ?? ""), hasSteps && h("td", { class: "wide remark" }, row.step ?? ""))))))));
}
