/** Every sentence of the desk of the network; the unit desk borrows those of notices and traits. */
import type {
  FleetDevice,
  FleetUnit,
  NetworkExport,
  RecallAtUnit,
  RecallCount,
  RecallCriteria,
  RecallItem,
  RuleTotal,
} from '../network-questions';
import { instantWords } from '../state/decisions-time';
import { exportState } from '../state/network-exports.svelte';
import { type FoundAtUnit, type FoundOnDay, wayOf } from '../state/network-quality';
import { clockSeconds, hasUnsentAway, isClockOff, isOtherProtocol } from '../state/network-units';
import { dayWords } from '../state/surveillance-dates';
import { ageWords } from './decisions';
import { people } from './entry';
import { implants } from './implants';
import { inEnglish, lookUp, reasons, retell, say, sayAs, withMore, words } from './say';

const said = words('network');
const MINUTE_MS = 60_000;

export const network = said;

// --- units

export const networkUnits = withMore(said.units, {
  sum: (counts: { all: number; silent: number; waiting: number }) =>
    say('network.units.sum', counts),
  asOf: (when: string) => say('network.units.asOf', { when }),
  oldList: (age: string) => say('network.units.oldList', { age }),
  heard: (ageMs: number, when: string) =>
    ageMs < MINUTE_MS
      ? say('network.units.heardNow', { when })
      : say('network.units.heard', { age: ageWords(ageMs), when }),
  devicesOf: (count: number, name: string) => say('network.units.devicesOf', { count, name }),
  get rulerMarks() {
    const { hour, day, days } = said.units.ruler;
    return [hour, day, days];
  },
});

const agoWords = (ms: number) =>
  ms < MINUTE_MS ? ageWords(ms) : say('network.units.ago', { age: ageWords(ms) });

/** Return what is told of a unit, each with its name. */
export function unitFacts(unit: FleetUnit, asOfMs: number): [string, string][] {
  const { facts, noReport, notTold } = said.units;
  const offset = unit.clock_offset_ms;
  return [
    [facts.reported, unit.reported_ms === null ? noReport : agoWords(asOfMs - unit.reported_ms)],
    [
      facts.unsent,
      unit.unsent === null ? notTold : say('network.units.unsent', { count: unit.unsent }),
    ],
    [
      facts.clock,
      offset === null ? notTold : say('network.units.clock', { seconds: clockSeconds(offset) }),
    ],
    [facts.build, unit.build || notTold],
    [facts.protocol, unit.protocol || notTold],
    [facts.cases, casesWords(unit)],
  ];
}

/** A unit that has told nothing yet has no small number that is held back. */
function casesWords({ cases, reported_ms: reportedMs }: FleetUnit): string {
  if (cases !== null) return String(cases);
  return reportedMs === null ? said.units.notTold : said.heldBack;
}

/** Return what is told of a device of a unit, which speaks a protocol itself, in one line. */
export function deviceWords(device: FleetDevice, asOfMs: number, units = ''): string {
  const { device: one } = said.units;
  const { last_contact_ms: last, silence, clock_offset_ms: offset } = device;
  return [
    last === null ? one.never : agoWords(asOfMs - last),
    hasUnsentAway(device) ? one.unsentAway : silence === 'none' ? '' : one[silence],
    offset !== null && isClockOff(offset)
      ? say('network.units.device.clock', { seconds: clockSeconds(offset) })
      : '',
    ...toldParts(device, units),
  ]
    .filter((part) => part !== '')
    .join(' · ');
}

/** What a device told its unit; unknown is said so, once where it told nothing. */
function toldParts(device: FleetDevice, units: string): string[] {
  const { build, unsent, storage, protocol = null } = device;
  const { device: one, facts } = said.units;
  const isNothingTold = build === '' && unsent === null && storage === 'unknown';
  if (isNothingTold && protocol === null) return [one.notTold];
  const kept = { kept: one.kept, 'may-be-cleared': one.mayBeCleared, unknown: one.keptNotTold };
  return [
    unsent === null
      ? one.unsentNotTold
      : `${facts.unsent}: ${say('network.units.unsent', { count: unsent })}`,
    kept[storage],
    build === '' ? one.buildNotTold : say('network.units.device.build', { build }),
    protocolWords(protocol, units),
  ];
}

function protocolWords(protocol: number | null, units: string): string {
  if (protocol === null) return said.units.device.protocolNotTold;
  const values = { version: String(protocol) };
  return isOtherProtocol(protocol, units)
    ? say('network.units.device.otherProtocol', values)
    : say('network.units.device.protocol', values);
}

// --- recalls

export const networkRecalls = withMore(said.recalls, {
  issued: (on: string, name: string, when: string) =>
    say('network.recalls.issued', { day: dayWords(on), name, when }),
  sum: (counts: { all: number; closed: number; silent: number }) =>
    say('network.recalls.sum', counts),
  withdrawn: (when: string, why: string) =>
    say('network.recalls.withdrawn', { when, why: retell(why) }),
  waits: (days: number) => say('network.recalls.waits', { days }),
  writeWhat: (units: number) => say('network.recalls.writeWhat', { units }),
  endReasons: reasons('network.recalls.endReasons', said.recalls.endReasons),
});

/** Return what a notice names, in one line: the kind, lots, identifier, expiry dates. */
export function namedWords(item: RecallItem, criteria: RecallCriteria): string {
  const kinds = lookUp(said.recalls.kinds);
  const { lots = [], identifier = '', expires_from: from = '', expires_to: to = '' } = criteria;
  return [
    kinds[item || 'any'] ?? item,
    ...lots.map((lot) => say('implants.lotNamed', { lot })),
    identifier && say('implants.identifierNamed', { identifier }),
    from && `${implants.expiresFrom.replace(/ \(.*\)$/, '')} ${from}`,
    to && `${implants.expiresTo.replace(/ \(.*\)$/, '')} ${to}`,
  ]
    .filter((part) => part !== '')
    .join(' · ');
}

/** Return what the hub counts at one unit. */
export function countedWords({ exact, near, unknown }: RecallCount): string {
  return say('network.recalls.counted', {
    exact: String(exact),
    near: String(near),
    unknown: String(unknown),
  });
}

/** Return what the hub counts at one unit before a notice stands: each up to the next five. */
export function countedBeforeWords({ exact, near, unknown }: RecallCount): string {
  return say('network.recalls.countedBefore', { exact, near, unknown });
}

/** Return how far a unit is with a notice, and what it found. */
export function answerWords(one: RecallAtUnit): string {
  const answer = sayAs(`network.recalls.answers.${one.answer}`, {
    when: instantWords(one.answered_ms),
  });
  const { found_patients: patients, exact_patients: exact, near_patients: near } = one;
  if (patients === null) return answer;
  const beside = { unknown: one.unknown_lots ?? 0, shelf: String(one.on_shelf ?? 0) };
  const found =
    exact === null || near === null
      ? say('network.recalls.foundTogether', { patients: String(patients), ...beside })
      : say('network.recalls.found', { exact: String(exact), near: String(near), ...beside });
  return `${answer} ${found}`;
}

// --- data quality

export const networkQuality = withMore(said.quality, {
  asOf: (when: string) => say('network.quality.asOf', { when }),
  filledOf: (filled: number, of: number) => say('network.quality.filledOf', { filled, of }),
  heldBack: (count: number) => say('network.quality.heldBack', { count }),
  cleanRules: (count: number) => say('network.quality.cleanRules', { count }),
});

/** Return who mends what a rule finds. */
export function fixerWords(role: string): string {
  return say('network.quality.fixer', { role: people.roles[role] ?? inEnglish(role) });
}

/** Return what a rule found at a unit, with what it counts: cases alone are told of all cases. */
export function foundWords({ count, cases }: FoundAtUnit, counts: string): string {
  const named = lookUp(said.quality.counts);
  const values = {
    what: named[counts] ?? said.quality.counts.other,
    count: count === null ? said.heldBack : String(count),
    cases: String(cases),
  };
  if (cases === null) return say('network.quality.found', values);
  const isOfCases = counts === 'case' && count !== null && count <= cases;
  return say(isOfCases ? 'network.quality.foundOf' : 'network.quality.foundBeside', values);
}

/** Return what a rule found in all units, in words. */
export function totalWords({ found, is_least: isLeast, units }: RuleTotal, counts: string): string {
  const what = lookUp(said.quality.counts)[counts] ?? said.quality.counts.other;
  const count = isLeast ? say('network.quality.atLeast', { count: found }) : String(found);
  return say('network.quality.foundIn', { what, count, units });
}

/** Return how a rule went over time, in words. */
export function courseWords(days: readonly FoundOnDay[]): string {
  const [first, last] = [days[0], days.at(-1)];
  const way = wayOf(days);
  if (way !== '' && first !== undefined && days.every(({ count }) => count === 0)) {
    return say('network.quality.course.never', { from: dayWords(first.on) });
  }
  if (way === '' || first === undefined || last === undefined) return said.quality.course.none;
  return sayAs(`network.quality.course.${way}`, {
    first: String(first.count),
    from: dayWords(first.on),
    last: String(last.count),
  });
}

// --- exports

export const networkExports = withMore(said.exports, {
  askedBy: (name: string, when: string) => say('network.exports.askedBy', { name, when }),
  holds: (rows: number, held: number, k: number) =>
    say('network.exports.holds', { rows, held, k: String(k) }),
  missing: (missing: number, fields: number | null) =>
    fields === null
      ? say('network.exports.missingAlone', { missing: String(missing) })
      : say('network.exports.missing', { missing: String(missing), fields: String(fields) }),
  period: (from: string, until: string) => {
    const days = { from: dayWords(from), until: dayWords(until) };
    if (from !== '' && until !== '') return say('network.exports.period.both', days);
    if (from !== '') return say('network.exports.period.from', days);
    return until === '' ? said.exports.period.all : say('network.exports.period.until', days);
  },
  patients: (count: number) => say('network.exports.patients', { patients: String(count) }),
  ofUnit: (name: string, count: number | null) =>
    say('network.exports.ofUnit', { name, count: countOf(count) }),
  withheld: (count: number | null, k: number) =>
    say('network.exports.withheld', { count: countOf(count), k: String(k) }),
  earlier: (count: number) => say('network.exports.earlier', { count }),
  tableRows: (table: string, rows: number | null) =>
    say('network.exports.tableRows', { name: tableWords(table), rows: countOf(rows) }),
  columns: (table: string, count: number) =>
    say('network.exports.columns', { name: tableWords(table), count }),
  quasi: (k: number) => say('network.exports.quasi', { k: String(k) }),
  leftOut: (fields: readonly string[]) =>
    say('network.exports.leftOut', { fields: fields.join(', ') }),
  everyNote: (k: number) => say('network.exports.everyNote', { k: String(k) }),
  kibi: (kib: number) => say('network.exports.kibi', { kib: String(kib) }),
  approveReasons: reasons('network.exports.approveReasons', said.exports.approveReasons),
  refuseReasons: reasons('network.exports.refuseReasons', said.exports.refuseReasons),
});

function countOf(count: number | null): string {
  return count === null ? said.exports.notTold : String(count);
}

/** A table of a newer hub is called as it calls it. */
function tableWords(table: string): string {
  return lookUp(said.exports.tables)[table] ?? inEnglish(table);
}

/** Return how an export stands and who decided. */
export function exportWords(one: NetworkExport): string {
  return sayAs(`network.exports.states.${exportState(one)}`, {
    name: one.decided_by_name,
    when: instantWords(one.decided_ms),
    why: retell(one.because),
  });
}
