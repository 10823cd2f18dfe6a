/** Units as the desk of the network lists them: who is silent first, and what stands out. Pure. */
import type { FleetDevice, FleetUnit, Silence } from '../network-questions';

/** A row older than this says so (DM-01). */
export const OLDEST_ROW_MS = 5 * 60_000;
/** As SOFT-08 has it for a tablet; a unit setting there, the project's default here. */
export const CLOCK_LIMIT_MS = 120_000;
const HOUR_MS = 3_600_000;
const DAY_MS = 24 * HOUR_MS;
/** Where the ruler of silence ends. */
const LONGEST_MS = 14 * DAY_MS;
const RANK: Readonly<Record<Silence, number>> = { escalated: 1, silent: 2, none: 3 };
/** Marks of the ruler, each at its place in thousandths. */
export const RULER_MARKS = [HOUR_MS, DAY_MS, 3 * DAY_MS].map((ms) => placeOfAge(ms));

/** What stands out about one unit or device; each has a sentence of its own. */
export type Remarkable =
  | 'waiting'
  | 'silent'
  | 'escalated'
  | 'old-row'
  | 'clock'
  | 'build'
  | 'protocol'
  | 'device-protocol';
/** What hinders nothing by itself. */
export const ONLY_NOTED: readonly Remarkable[] = ['build', 'protocol', 'device-protocol'];

/**
 * Return the units in the order in which somebody has to look: who waits to be let in, then who is
 * silent, the longest first, then the others by name.
 */
export function orderUnits(units: readonly FleetUnit[]): FleetUnit[] {
  const rank = (unit: FleetUnit) => (unit.is_waiting ? 0 : RANK[unit.silence]);
  const heard = (unit: FleetUnit) => unit.last_contact_ms ?? 0;
  return [...units].sort(
    (one, other) =>
      rank(one) - rank(other) ||
      (one.silence === 'none' ? 0 : heard(one) - heard(other)) ||
      (one.name < other.name ? -1 : 1),
  );
}

/** Return the build that most of the units have; "" where none is told. */
export function usualBuild(units: readonly FleetUnit[]): string {
  const counts = new Map<string, number>();
  for (const { build } of units) if (build) counts.set(build, (counts.get(build) ?? 0) + 1);
  const most = Math.max(0, ...counts.values());
  const first = [...counts].filter(([, count]) => count === most).map(([build]) => build);
  return first.sort().at(-1) ?? '';
}

/**
 * Return what stands out about a unit at the moment of the answer.
 *
 * @param usual - the build that most units have
 * @param hubs - version of the exchange that the hub speaks; an older hub tells none
 */
export function remarkablesOf(
  unit: FleetUnit,
  asOfMs: number,
  usual: string,
  hubs = '',
): Remarkable[] {
  const isOld = unit.reported_ms === null || asOfMs - unit.reported_ms > OLDEST_ROW_MS;
  const found: (Remarkable | false)[] = [
    unit.is_waiting && 'waiting',
    !unit.is_waiting && unit.silence !== 'none' && unit.silence,
    !unit.is_waiting && unit.silence === 'none' && isOld && 'old-row',
    isClockOff(unit.clock_offset_ms) && 'clock',
    unit.build !== '' && usual !== '' && unit.build !== usual && 'build',
    isOtherProtocol(unit.protocol, hubs) && 'protocol',
    unit.devices.some((one) => isOtherProtocol(one.protocol, unit.protocol)) && 'device-protocol',
  ];
  return found.filter((one): one is Remarkable => one !== false);
}

/** Say whether two versions of the exchange differ: who told none speaks no other one (EX24). */
export function isOtherProtocol(
  one: number | string | null | undefined,
  other: string | undefined,
): boolean {
  return Boolean(one) && Boolean(other) && String(one) !== other;
}

/** Say whether a clock is further off than the limit. */
export function isClockOff(offsetMs: number | null): boolean {
  return offsetMs !== null && Math.abs(offsetMs) > CLOCK_LIMIT_MS;
}

/** Return by how many seconds a clock is off, either way: below one it agrees, else rounded up. */
export function clockSeconds(offsetMs: number): number {
  const off = Math.abs(offsetMs);
  return off < 1_000 ? 0 : Math.ceil(off / 1_000);
}

/** Return where an age lies on the ruler, in thousandths: the first hours have as much room as days. */
export function placeOfAge(ageMs: number): number {
  const room = (ms: number) => Math.log1p(Math.max(0, ms) / HOUR_MS);
  return Math.min(1_000, Math.round((1_000 * room(ageMs)) / room(LONGEST_MS)));
}

/** Say whether a device held unsent work when it last told, and is silent since. */
export function hasUnsentAway({ silence, unsent }: FleetDevice): boolean {
  return silence !== 'none' && unsent !== null && unsent > 0;
}

/**
 * Return the devices of a unit, those first that somebody has to look for: silent ones with unsent
 * work before the others.
 */
export function orderDevices(devices: readonly FleetDevice[]): FleetDevice[] {
  return [...devices].sort(
    (one, other) =>
      Number(hasUnsentAway(other)) - Number(hasUnsentAway(one)) ||
      RANK[one.silence] - RANK[other.silence] ||
      (one.last_contact_ms ?? 0) - (other.last_contact_ms ?? 0),
  );
}

/** How many units are in which standing, for the sentence over the list. */
export function countUnits(units: readonly FleetUnit[]): {
  all: number;
  silent: number;
  waiting: number;
} {
  const joined = units.filter((unit) => !unit.is_waiting);
  return {
    all: joined.length,
    silent: joined.filter(({ silence }) => silence !== 'none').length,
    waiting: units.length - joined.length,
  };
}
