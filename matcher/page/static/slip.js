// The slip: what has to be set, part by part, as one reads it off beside the instrument.

import { h, scrollable } from "./dom.js";

const partsOf = (rows) => [...new Set(rows.map((row) => row.part))];

// Whose it is, in one line: the same wherever a patch is shown.
export function whose(run) {
  const { version, notes } = run;
  const keys = [...new Set(notes.map((note) => note.pitch))].join(", ");
  return [run.structure.name, version && `version ${version.number}${version.name ? ` (${version.name})` : ""}`,
    `played on ${keys}`].filter(Boolean).join(" · ");
}

export function slip(sheet) {
  const labels = new Map(sheet.rows.map((row) => [row.name, row.label]));
  return h("div", { class: "slip" }, partsOf(sheet.rows).map((part) => h("section", {}, h("h3", {}, part),
    h("dl", {}, sheet.rows.filter((row) => row.part === part).map((row) => h("div", {}, h("dt", {}, row.label),
      h("dd", {}, row.linked_to ? `as ${labels.get(row.linked_to) || row.linked_to}`
        : row.panel ? [h("b", {}, row.panel), h("span", { class: "quiet" }, ` ${row.value}`)] : h("b", {}, row.value)),
      row.slack && h("dd", { class: "quiet" }, row.slack)))))));
}

export function restingList(rows) {
  return h("ul", { class: "resting" }, partsOf(rows).map((part) => h("li", {}, h("b", {}, part), ": ",
    rows.filter((row) => row.part === part).map((row) => `${row.label} ${row.panel || row.value}`).join(", "))));
}

// With all that is known of each control, for paper.
export function sheetTable(run, sheet, distance) {
  const hasPanel = sheet.rows.some((row) => row.panel !== null);
  const hasSteps = sheet.rows.some((row) => row.step);
  const hasSlack = sheet.rows.some((row) => row.slack);
  const titles = ["Control", "Value", hasPanel && "Panel", hasSlack && "Sounds the same", hasSteps && "One step"].filter(Boolean);
  const labels = new Map(sheet.rows.map((row) => [row.name, row.label]));
  const parts = partsOf(sheet.rows);
  // About as many lines of paper as rows and sentences take; see the rules for printing.
  const n = sheet.rows.length + sheet.rows.filter((row) => row.slack).length + 1.6 * sheet.rows.filter((row) => row.step).length + 1.5 * parts.length;
  return h("section", { class: `card sheet ${n > 130 ? "tight" : n > 70 ? "dense" : ""}` },
    h("h2", {}, `Patch sheet: ${run.name}`),
    h("p", { class: "quiet" }, `${whose(run)} · distance ${distance}. Parts that are off are left out.`),
    scrollable("Patch sheet", h("table", { class: "stacks" }, h("thead", {}, h("tr", {}, titles.map((text) => h("th", { scope: "col" }, text)))),
      parts.map((part) => h("tbody", {},
        h("tr", {}, h("th", { colspan: String(titles.length), scope: "rowgroup", class: "part-title" }, part)),
        sheet.rows.filter((row) => row.part === part).map((row) => h("tr", {},
          h("td", {}, row.label), h("td", { class: "value" }, row.linked_to ? `as ${labels.get(row.linked_to) || row.linked_to}` : row.value),
          hasPanel && h("td", { class: "value" }, row.panel ?? ""),
          hasSlack && h("td", { class: "wide remark" }, row.slack ?? ""), hasSteps && h("td", { class: "wide remark" }, row.step ?? ""))))))));
}
