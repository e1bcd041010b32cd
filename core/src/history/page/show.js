// Shows a checked history: the result of the check first, then the summary, then the detail.
//
// Promises: every word that comes from a file is put in as text, never as markup, and keeps its own direction of
// writing; nothing doubtful is hidden behind something good; long lists are cut with a line that says how much is not
// shown and a button that shows it.
// Never a style attribute and never an address.

import { base64url, unbase64 } from "./bytes.js";
import { plot } from "./plot.js";
import { element as el, clipped, section, table, worded } from "./dom.js";
import { decimal, listed, milli, said, span } from "./story.js";

/** Rows of a table that are shown at once. */
const ROWS = 100;

export class Show {
  constructor(root, words) {
    Object.assign(this, { root, words, onKey: undefined, onFile: undefined });
    this.status = el("div", { id: "check", role: "status", "aria-live": "polite", tabindex: "-1" });
    this.key = this.keyForm();
    this.body = el("div", {});
    this.title = el("h1", {}, "Service history");
    root.replaceChildren(el("header", {}, this.title), this.status, this.key, this.body);
    this.dropping();
  }

  /** The form in which the key is given. */
  keyForm() {
    const field = el("input", {
      id: "key", name: "key", autocomplete: "off", autocapitalize: "off", spellcheck: "false", "aria-describedby": "key-why",
    });
    const wrong = el("p", { class: "wrong", role: "alert" });
    const form = el(
      "form",
      { class: "key screen" },
      el("label", { for: "key" }, "The organisation's key, as it was given to you another way than with this page"),
      el("div", { class: "row" }, field, el("button", { type: "submit" }, "Check with this key")),
      wrong,
      el("p", { id: "key-why", class: "faint" },
        "43 characters, on paper, on the organisation's own page, or read from its code with your phone. A key inside the ",
        "file proves nothing: anyone can make a whole file with keys of their own."),
    );
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const pin = readKey(field.value);
      wrong.textContent = pin || field.value === "" ? "" : "That is no key: it has 43 letters, digits, - and _.";
      if (pin || field.value === "") this.onKey(pin);
    });
    return form;
  }

  dropping() {
    document.addEventListener("dragover", (event) => event.preventDefault());
    document.addEventListener("drop", (event) => {
      event.preventDefault();
      const [file] = event.dataTransfer?.files ?? [];
      if (file) this.onFile(file);
    });
  }

  /** A field that takes another file. */
  otherFile() {
    const field = el("input", { type: "file", id: "other", accept: ".gz,application/gzip" });
    field.addEventListener("change", () => field.files[0] && this.onFile(field.files[0]));
    return el("p", { class: "screen" }, el("label", { for: "other" }, "Check another history file, or drop it on this page: "), field);
  }

  empty() {
    this.status.replaceChildren(el("p", {}, "This page holds no file. It checks the one that you give it."), this.otherFile());
    this.body.replaceChildren(this.unproved());
  }

  working(part) {
    if (!this.bar?.isConnected) {
      this.bar = el("progress", { max: "100", "aria-label": "Checking the file" });
      this.status.className = "verdict judging";
      this.status.replaceChildren(el("p", { class: "word" }, "Checking …"), this.bar);
    }
    this.bar.value = Math.round(part * 100);
  }

  all(found) {
    Object.assign(this, found);
    this.showVerdict();
    try {
      this.detail();
    } catch (error) {
      // A file may have anything in it; what was found out about it stands above all the same.
      this.body.replaceChildren(el("p", { class: "wrong" }, `What the file says cannot be shown: ${error.message}`), this.unproved(), this.pageSection());
    }
    // For programs that look on: how many checks have come to their end.
    this.status.dataset.checks = String(Number(this.status.dataset.checks ?? 0) + 1);
  }

  detail() {
    this.tale = this.story.told();
    const name = this.tale.machine.name ?? "a machine without a name";
    document.title = `Service history: ${name}`;
    this.title.replaceChildren("Service history: ", el("bdi", {}, name));
    const parts = [
      this.summarySection(), this.plotSection(), this.keepingSection(), this.servicesSection(), this.findingsSection(),
      this.handsSection(), this.partsSection(), this.changesSection(), this.doubtfulSection(), this.withheldSection(),
      this.entriesSection(), this.unproved(), this.keysSection(), this.pageSection(),
    ];
    this.body.replaceChildren(...parts.filter(Boolean));
  }

  // --- The result of the check ---------------------------------------------------------------------------------------

  showVerdict() {
    const { standing, failures, failures_more: more } = this.verdict;
    const [sign, told] = VERDICTS[standing];
    const why = standing === "cannot judge" && this.pin === undefined ? "internally consistent, signer unknown" : told;
    const lines = failures.map((failure) =>
      el("li", {}, el("bdi", {}, failure.told), el("span", { class: "faint" }, ` (line ${failure.line}, ${failure.code})`)),
    );
    this.status.className = `verdict ${standing.replace(" ", "-")}`;
    this.status.replaceChildren(
      el("p", { class: "word" }, el("span", { "aria-hidden": "true" }, `${sign} `), standing.toUpperCase(), el("span", { class: "why" }, why ? `: ${why}` : "")),
      ...(lines.length > 0 ? [el("ol", { class: "failures" }, ...lines)] : []),
      ...(more > 0 ? [el("p", {}, `and ${more} more`)] : []),
      ...(this.name ? [el("p", {}, "Of the file ", el("bdi", {}, this.name), ", which you gave to this page.")] : []),
      el("p", { class: "paper" }, "On paper nothing is checked: this is what the page said when it was printed."),
      el("p", { class: "faint" },
        "Whoever made this page could have changed the part that checks. To be sure, check the same file with a page or a program from elsewhere: ",
        el("a", { href: "#about" }, "how"), "."),
    );
  }

  // --- The summary ---------------------------------------------------------------------------------------------------

  summarySection() {
    const { verdict, tale, story } = this;
    const { machine, findings, services, doubtful } = tale;
    const open = findings.filter((finding) => !finding.end);
    const out = open.filter((finding) => finding.entry.body.urgency === "tagged out");
    const done = services.reduce((sum, task) => sum + task.rows.length, 0);
    const rows = [
      ["Machine", [machine.name, machine.make, machine.model].filter(Boolean).join(", ") || "not said"],
      ["Serial number", machine.serial ?? "not said"],
      ["Kept by", `${verdict.organisation}, as it calls itself`],
      ...tale.meters.map((meter) => ["Meter", meterWords(meter)]),
      ["Recorded", `${counted(verdict.entries, "entry", "entries")} by ${counted(verdict.devices, "device", "devices")}${claimedWords(verdict.claimed)}`],
      ["Services", counted(done, "service", "services")],
      ["Open findings", open.length === 0 ? "none" : `${open.length}${out.length > 0 ? `, of which ${out.length} tag it out: it must not be run` : ""}`],
      ["People", counted(tale.hands.length, "person recorded", "people recorded")],
      ["Doubtful points", doubtful.length === 0 ? "none found" : counted(doubtful.length, "point", "points")],
    ];
    const keeping = this.summary?.book?.keeping ?? [];
    if (keeping.length > 0) rows.splice(6, 0, ["Kept up", keptWords(keeping)]);
    if (verdict.withheld.length > 0) rows.push(["Withheld", verdict.withheld.join(", ")]);
    const list = rows.flatMap(([name, value]) => [el("dt", {}, name), el("dd", { dir: "auto" }, value)]);
    return section("Summary", el("dl", { class: "summary" }, ...list), story.top ? this.freshness() : "");
  }

  freshness() {
    const { longest_gap: gap, ahead, checkpoint_ms: made, witnesses, stamps } = this.verdict;
    const lines = [];
    if (made !== null) lines.push(`Up to the checkpoint of ${date(made)}, by the server's clock.`);
    if (gap) lines.push(`Longest from the time said to the server's receipt: ${span(gap[0])} (${gap[1]}).`);
    if (ahead > 0) lines.push(`${counted(ahead, "entry is", "entries are")} said to be later than their receipt.`);
    lines.push(
      ...witnesses.map(
        (by) =>
          `Said to be co-signed by ${by.name}: that all of it was there by ${date(by.time_s * 1000)}, by its clock. ` +
          "Not judged by this page, which knows no witness: pintle verify FILE --witness KEY.",
      ),
    );
    for (const authority of new Set(stamps.map((stamp) => stamp.authority))) {
      const its = stamps.filter((stamp) => stamp.authority === authority);
      const { count, at_s } = its.reduce((last, one) => (one.count > last.count || (one.count === last.count && one.at_s < last.at_s) ? one : last));
      lines.push(
        `${counted(its.length, "time stamp", "time stamps")} said to be of ${authority}: that the first ${counted(count, "entry", "entries")} existed by ${date(at_s * 1000)}. ` +
          "Not judged by this page, which trusts no authority: pintle verify FILE --authority PEM.",
      );
    }
    return el("ul", {}, ...lines.map((line) => el("li", {}, line)));
  }

  plotSection() {
    const [meter] = this.tale.meters;
    const drawing = meter && plot(meter, this.tale.services, this.tale.findings);
    if (!drawing) return undefined;
    const legend = el("figcaption", { class: "faint" },
      `${meter.meter} over time, as run in all. ● service  ▲ finding  ✕ reading below an earlier one`);
    return section("Hours over time", el("figure", {}, drawing, legend));
  }

  // --- Upkeep --------------------------------------------------------------------------------------------------------

  keepingSection() {
    const keeping = this.summary?.book?.keeping;
    const own = "Not computed by this page: it takes the rules of the plan, and more than the file holds. The services below show the hours between them.";
    if (!keeping) return section("Keeping up", el("p", {}, own));
    const rows = keeping.map((one) => [
      bdi(one.task), one.on_time, one.early, one.late, one.never,
      one.worst_permille > 0 ? `${Math.round(one.worst_permille / 10)} % of the interval` : "–",
    ]);
    return section("Keeping up",
      el("p", { class: "claim" }, "As computed by whoever made this page, from the same entries; not checked by this page."),
      rows.length === 0 ? el("p", {}, "No task of the plan has come due.") : table("How the plan was kept, by task", ["Task", "On time", "Early", "Late", "Left out", "Worst overrun"], rows));
  }

  servicesSection() {
    const plans = new Map(this.planned().map((task) => [said(task.task), task]));
    const parts = this.tale.services.map(({ task, rows }) => {
      const every = Object.entries(plans.get(task)?.every ?? {}).map(everyWords);
      const times = `${counted(rows.length, "time", "times")}.${every.length > 0 ? ` Planned every ${every.join(" or ")}.` : ""}`;
      const drawn = clipped([...rows].reverse(), ROWS, {
        caption: `Services: ${task}`,
        columns: ["When", "Meter", "Since the last", "By", "What", "Entry"],
        row: ({ entry, reading, since }) => [
          moment(when(entry)), reading === undefined ? "–" : decimal(reading), since === undefined ? "–" : decimal(since),
          this.by(entry), serviceWords(entry), ref(entry),
        ],
      });
      return el("div", {}, el("h3", { dir: "auto" }, task), el("p", {}, times), drawn);
    });
    return section("Services", ...(parts.length > 0 ? parts : [el("p", {}, "None recorded.")]));
  }

  /** The tasks of the plan that was set last. */
  planned() {
    return listed(this.tale.plan?.body.tasks).filter((task) => typeof task === "object" && task !== null);
  }

  findingsSection() {
    const { findings, repairs } = this.tale;
    const ended = (end) => `${end.kind === "repair_done" ? "repaired" : "cleared"} ${when(end)}, ${end.name}`;
    return section("Findings and repairs",
      clipped([...findings].reverse(), ROWS, {
        caption: "Findings",
        columns: ["When", "What", "In their words", "By", "Ended", "Entry"],
        row: ({ entry, end }) => [
          moment(when(entry)), worded([entry.body.urgency, entry.body.sign, entry.body.point]), words(entry),
          this.by(entry), end ? ended(end) : el("strong", {}, "open"), ref(entry),
        ],
        none: "No findings recorded.",
      }),
      clipped([...repairs].reverse(), ROWS, {
        caption: "Repairs",
        columns: ["When", "What", "In their words", "By", "Work", "Entry"],
        row: (entry) => [
          moment(when(entry)), worded([entry.body.point, entry.body.cause, entry.body.remedy]), words(entry),
          this.by(entry), entry.body.minutes === undefined ? "–" : `${said(entry.body.minutes)} min`, ref(entry),
        ],
        none: "No repairs recorded.",
      }));
  }

  handsSection() {
    const hands = this.summary?.book?.hands?.life;
    const shares = (hands?.people ?? []).map((part) => [bdi(this.story.person(part.person)), `${part.amount} ${hands.by}`]);
    return section("Hands",
      ...(shares.length > 0 ? [
        el("p", { class: "claim" }, `As computed by whoever made this page: ${hands.effective} hands in effect, over ${hands.total} ${hands.by}; one regular operator is 1.`),
        table("Who ran it", ["Person", "Share"], shares)] : []),
      clipped(this.tale.hands, ROWS, {
        caption: "Who recorded how much",
        columns: ["Person", "Entries"],
        row: ({ person, count }) => [bdi(this.story.person(person)), count],
        none: "Nobody recorded anything.",
      }));
  }

  partsSection() {
    const { materials, fuel } = this.tale;
    const needs = this.planned().filter((task) => listed(task.needs).length > 0);
    const litres = fuel.reduce((sum, entry) => sum + (milli(entry.body.litres) ?? 0), 0);
    const total = ({ times, without, total: sum, unit }) => {
      if (times === without) return "not said";
      return `${decimal(sum)} ${unit}${without > 0 ? ` and ${counted(without, "time", "times")} not said` : ""}`;
    };
    return section("Parts and fluids",
      clipped(materials, ROWS, {
        caption: "What was used",
        columns: ["What", "Times", "In all", "Last in"],
        row: (used) => [
          bdi(used.name), used.times, bdi(total(used)),
          used.entries.slice(-3).map((entry) => entry.name).join(", ") + (used.entries.length > 3 ? " …" : ""),
        ],
        none: "No parts or fluids recorded.",
      }),
      needs.length > 0 ? table("What the plan asks for", ["Task", "Specification"], needs.map((task) => [bdi(said(task.task)), worded(task.needs)])) : "",
      el("p", {}, fuel.length === 0 ? "No fuel recorded." : `Fuel: ${decimal(litres)} l in ${counted(fuel.length, "fill", "fills")}.`));
  }

  changesSection() {
    return section("Meter changes", clipped(this.tale.changes, ROWS, {
      caption: "Meter changes",
      columns: ["When", "Meter", "Reading", "Why", "By", "Entry"],
      row: (entry) => [
        moment(when(entry)), bdi(said(entry.body.meter ?? "the first meter")),
        `${said(entry.body.old_reading)} → ${said(entry.body.new_reading)}`,
        bdi(said(entry.body.reason ?? "no reason given")), this.by(entry), ref(entry),
      ],
      none: "None recorded.",
    }));
  }

  // --- What to look at twice -----------------------------------------------------------------------------------------

  doubtfulSection() {
    const made = this.summary?.book;
    const name = ({ device, seq }) => `${this.story.marks.get(device) ?? "?"}-${seq}`;
    const sides = (of) => of.sides.map((side) => name(side.entry)).join(" and ");
    const more = [
      ...(made?.clashes ?? []).map((clash) => `people disagree: ${sides(clash)} (${clash.matter})`),
      ...(made?.twins ?? []).map((twin) => `probably recorded twice: ${sides(twin)} (${twin.matter})`),
      ...(made?.doubts ?? []).map((doubt) => `${name(doubt.entry)}: ${doubt.detail} (${doubt.code})`),
    ];
    return section("Doubtful points",
      clipped(this.tale.doubtful, 5 * ROWS, {
        caption: "Entries to look at twice",
        columns: ["Entry", "When", "Why"],
        row: ({ entry, why }) => [ref(entry), moment(when(entry)), bdi(why)],
        none: "This page found none.",
      }),
      more.length > 0 ? el("div", {}, el("p", { class: "claim" }, "As computed by whoever made this page:"), el("ul", {}, ...more.map((line) => el("li", { dir: "auto" }, line)))) : "");
  }

  withheldSection() {
    const { withheld, with_withheld: entries } = this.verdict;
    if (withheld.length === 0 && entries === 0) return section("Withheld", el("p", {}, "Nothing is said to be withheld."));
    const parts = new Map();
    this.tale.entries.forEach((entry) => entry.withheld.forEach((part) => parts.set(part, (parts.get(part) ?? 0) + 1)));
    const lines = [...parts].map(([part, count]) => `${part}: in ${counted(count, "entry", "entries")}`);
    return section("Withheld", el("p", {}, `Withheld, as the file says: ${withheld.join(", ") || "nothing"}. Of what is withheld the hash is in the chain: it was not changed since.`),
      el("ul", {}, ...lines.map((line) => el("li", {}, line))));
  }

  entriesSection() {
    return section("All entries", clipped([...this.tale.entries].reverse(), ROWS, {
      caption: "All entries, the newest first",
      columns: ["Entry", "When, as claimed", "Received", "Kind", "What", "By"],
      row: (entry) => [
        ref(entry), moment(when(entry)), moment(date(entry.received_ms)), bdi(entry.kind.replaceAll("_", " ")),
        bodyWords(entry, this.story.marks), this.by(entry),
      ],
      none: "None.",
    }));
  }

  // --- What is proved ------------------------------------------------------------------------------------------------

  unproved() {
    return section("Not proved by any file", el("ul", {}, ...this.words.not_proved.map((line) => el("li", {}, line))));
  }

  keysSection() {
    const { story, verdict } = this;
    const keys = story.keys.map((one) => [one.epoch, el("code", { class: "long" }, grouped(one.key))]);
    return section("Keys and checkpoint",
      el("p", {}, "Compare one of these keys with the one that was given to you another way. Read here alone they prove nothing."),
      keys.length > 0 ? table("Keys in this file", ["Epoch", "Key"], keys) : el("p", {}, "The file has no key that can be read."),
      el("p", {}, verdict.signer ? "The checkpoint is signed by the newest of them." : "No checkpoint is signed by the newest of them."),
      el("p", {}, "SHA-256 of the history file: ", el("code", { class: "long" }, this.hex.replace(/.{8}/g, "$& ").trim())));
  }

  pageSection() {
    const save = el("button", { type: "button", class: "screen" }, "Save the history file that this page holds");
    save.addEventListener("click", () => {
      const link = el("a", { download: "service-history.gz", href: URL.createObjectURL(new Blob([this.file], { type: "application/gzip" })) });
      link.click();
      URL.revokeObjectURL(link.href);
    });
    const about = section("About this page",
      el("p", {}, "This page holds the history file and a program that checks it, and needs no network. Whoever gave it to you could have given you another program with it. So save the file, and check it with a page or a program that you got elsewhere: drop it on that page, or run pintle verify FILE --key KEY."),
      save, this.otherFile(),
      el("p", {}, "Numbers marked as computed by whoever made this page are theirs; all others this page counted in the entries."));
    about.id = "about";
    return about;
  }

  by(entry) {
    return el("bdi", { class: "name" }, this.story.person(entry.by));
  }
}

const VERDICTS = {
  valid: ["✓", "nothing altered, nothing left out, signed by the key you gave"],
  "cannot judge": ["?", ""],
  incomplete: ["!", "what is here was not altered, but something is missing"],
  invalid: ["✕", "something was altered, or is not signed by whom it should be"],
};

/** A key as it is printed: base64url, also in groups, or the verifier key of a signed note. */
function readKey(spelled) {
  const plain = spelled.replaceAll(/\s/g, "");
  const vkey = /^[^+]+\+[0-9a-f]{8}\+(.+)$/.exec(plain);
  const bytes = vkey ? unbase64(vkey[1])?.subarray(1) : unbase64(`${plain.replaceAll("-", "+").replaceAll("_", "/")}=`);
  return bytes?.length === 32 ? bytes : undefined;
}

const bdi = (text) => el("bdi", {}, text);
const grouped = (key) => key.replace(/.{4}/g, "$& ").trim();
const counted = (number, one, many) => `${number} ${number === 1 ? one : many}`;
const ref = (entry) => el("span", { class: entry.altered ? "altered" : "ref" }, entry.name);
const words = (entry) =>
  entry.text === undefined ? (entry.withheld.includes("words") ? el("em", {}, "withheld") : "") : bdi(entry.text);
const MONTHS = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split(" ");

/** The same, on one line. */
const moment = (text) => el("span", { class: "time" }, text);

/** A time as its author wrote it, in their own place's time. */
function when(entry) {
  const match = /^(\d{4})-(\d\d)-(\d\d)T(\d\d:\d\d)/.exec(entry.at);
  return match && entry.at_s !== undefined ? `${Number(match[3])} ${MONTHS[match[2] - 1]} ${match[1]}, ${match[4]}` : "no time";
}

/** A moment of a server or witness, in UTC. */
function date(ms) {
  const moment = new Date(ms);
  if (Number.isNaN(moment.getTime())) return "a time beyond the calendar";
  const iso = moment.toISOString();
  return `${moment.getUTCDate()} ${MONTHS[moment.getUTCMonth()]} ${moment.getUTCFullYear()}, ${iso.slice(11, 16)} UTC`;
}

function meterWords({ meter, points, highest, added }) {
  if (!highest) return `${meter}: no reading`;
  const life = added === 0 ? "" : `, ${decimal(highest.life)} in all with the meters before`;
  const falls = points.filter((point) => point.falls).length;
  const odd = falls > 0 ? `; ${counted(falls, "reading is", "readings are")} below an earlier one` : "";
  return `${decimal(highest.shown)} ${meter} on ${when(highest.entry)} (${highest.entry.name})${life}${odd}`;
}

const claimedWords = (claimed) => (claimed ? `, said to be of ${claimed[0].slice(0, 10)} to ${claimed[1].slice(0, 10)}` : "");

const everyWords = ([clock, value]) => `${said(value)} ${said(value) === "1" ? clock.replace(/s$/, "") : clock}`;

function keptWords(keeping) {
  const sum = (field) => keeping.reduce((all, one) => all + one[field], 0);
  const all = ["on_time", "early", "late", "never"].reduce((total, field) => total + sum(field), 0);
  return `${sum("on_time")} of ${all} on time, ${sum("late")} late, ${sum("never")} left out, ${sum("early")} early (as computed by whoever made this page)`;
}

function serviceWords({ body, text }) {
  const skipped = listed(body.skipped).map((one) => {
    const reason = one?.reason === undefined ? "" : ` (${said(one.reason)})`;
    return `skipped ${said(one?.point ?? one)}${reason}`;
  });
  const points = listed(body.points).map((point) => `at ${said(point)}`);
  return worded([...points, body.purge === undefined ? "" : `purge ${said(body.purge)}`, ...skipped, text]);
}

/** What an entry says, as its fields; other entries by their names. */
function bodyWords(entry, marks) {
  const spelled = (value) => {
    if (Array.isArray(value)) return value.map(spelled).join(", ");
    if (typeof value !== "object" || value === null) return String(value);
    if (marks.has(value.device) && "seq" in value) return `${marks.get(value.device)}-${value.seq}`;
    return Object.entries(value).map(([name, one]) => `${name.replaceAll("_", " ")} ${spelled(one)}`).join(" ");
  };
  const fields = Object.entries(entry.body).map(([name, value]) => `${name.replaceAll("_", " ")} ${spelled(value)}`);
  const hidden = entry.withheld.map((part) => `${part} withheld`);
  return worded([...(entry.struck ? ["struck"] : []), ...fields, entry.text, ...entry.files, ...hidden]);
}
