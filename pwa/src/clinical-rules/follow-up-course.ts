/**
 * What the record says of a follow-up so far, and which named conditions of a plan hold by it. Twin
 * of `follow_up_course.py`.
 */
import type { Conditions, Happened } from './follow-up-request';
import type { EarlyLookRow, VisitRow } from './follow-up-rows';

export const ENDS = ['died', 'transferred', 'declined'] as const;
const RESULTS = ['doppler_flow', 'obliterated'] as const;
const FINDINGS = [...RESULTS, 'not_seen', 'retreated'] as const;
const LOOK_KINDS = ['look', 'yearly'];
const SESSION = 'treatment';

/** What the record says of the course so far. */
export interface Course {
  indexOn: string;
  treatedOn: string;
  /** The last look with a result, or the day of a session without treatment after it. */
  lookedOn: string | null;
  /** The last look, where the varix could not be seen on it. */
  unseenOn: string | null;
  flow: boolean | null;
  obliteratedOn: string | null;
  lastContactOn: string;
  isRetreated: boolean;
}

/** Return the course as what happened, by day, tells it (FU5, FU11, FU18, FU21). */
export function readCourse(
  indexOn: string,
  happened: readonly Happened[],
  rows: readonly VisitRow[],
): Course {
  const sessions = rows.filter((row) => row.kind === SESSION).map((row) => row.visit);
  const seen = happened.filter(isSeen);
  const retreated = seen.filter((one) => one.retreated).map((one) => one.on);
  const treatedOn = latestOf([indexOn, ...retreated]);
  // A look on the day of the treatment itself came before it and says nothing of its result.
  const after = seen.filter((one) => one.on > treatedOn);
  const looks = after.filter(hasResult);
  const tried = after.filter((one) => hasResult(one) || one.not_seen === true).at(-1);
  const untreated = after
    .filter((one) => sessions.includes(one.visit) && one.retreated === false)
    .map((one) => one.on);
  let flow: boolean | null = null;
  let obliteratedOn: string | null = null;
  for (const look of looks) {
    const isGone = look.obliterated === true && look.doppler_flow !== true;
    flow = look.doppler_flow ?? !isGone;
    obliteratedOn = isGone ? (obliteratedOn ?? look.on) : null;
  }
  const lookedOn = looks.at(-1)?.on;
  return {
    indexOn,
    treatedOn,
    lookedOn: lookedOn === undefined ? null : latestOf([lookedOn, ...untreated]),
    unseenOn: tried !== undefined && !hasResult(tried) ? tried.on : null,
    flow,
    obliteratedOn,
    lastContactOn: latestOf([indexOn, ...seen.map((one) => one.on)]),
    isRetreated: retreated.length > 0,
  };
}

/** Whether a look told of flow; it then counts as seen, whatever else was ticked (FU18). */
function hasResult(one: Happened): boolean {
  return RESULTS.some((key) => one[key] !== undefined);
}

function latestOf(dates: readonly string[]): string {
  return [...dates].sort().at(-1) ?? '';
}

/** Whether a visit took place: it did where it left a finding (FU7). */
export function isSeen(one: Happened): boolean {
  if (one.outcome !== undefined)
    return one.outcome === 'attended' || one.outcome === 'done-elsewhere';
  return FINDINGS.some((key) => one[key] !== undefined);
}

/** Which named conditions hold (FU3); no expression is read from a file. */
export function holdConditions(
  acuteBleed: boolean,
  conditions: Conditions,
  course: Course,
  early: EarlyLookRow,
): Record<string, boolean> {
  const child = conditions.child_class;
  const isListed = conditions.transplant_listed === true;
  return {
    always: true,
    acute_bleed: acuteBleed,
    early_look:
      acuteBleed ||
      course.flow === true ||
      (conditions.adhesive_ul ?? 0) > early.above_adhesive_ul ||
      (conditions.coils ?? 0) >= early.from_coils,
    flow_persists: course.flow === true,
    not_seen: course.unseenOn !== null,
    retreated: course.isRetreated,
    obliterated: course.obliteratedOn !== null,
    obliterated_or_retreated: course.obliteratedOn !== null || course.isRetreated,
    oesophageal_banded: conditions.oesophageal_banded === true,
    liver_ultrasound: conditions.cirrhosis === true && (child === 'A' || child === 'B' || isListed),
    on_beta_blocker: conditions.on_beta_blocker === true,
    nothing_else: false,
  };
}

/** The first end that is recorded: day and reason; null while there is none (FU12). */
export function findEnd(happened: readonly Happened[]): { on: string; reason: string } | null {
  for (const one of happened) {
    const reason = ENDS.find((end) => one[end] === true);
    if (reason !== undefined) return { on: one.on, reason };
  }
  return null;
}

/**
 * What was not given and decides on a visit (FU14, FU19): the Child class for the liver ultrasound;
 * what the last look showed; whether the last session treated.
 */
export function findMissing(
  conditions: Conditions,
  course: Course,
  happened: readonly Happened[],
  rows: readonly VisitRow[],
): string[] {
  const missing: string[] = [];
  const isOpenQuestion = conditions.cirrhosis === true && conditions.transplant_listed !== true;
  if (isOpenQuestion && conditions.child_class === undefined)
    missing.push('conditions.child_class');
  const kinds = new Map(rows.map((row) => [row.visit, row.kind]));
  const after = happened.filter((one) => isSeen(one) && one.on > course.treatedOn);
  const look = after.filter((one) => LOOK_KINDS.includes(kinds.get(one.visit) ?? '')).at(-1);
  if (look !== undefined && FINDINGS.every((key) => look[key] === undefined)) {
    missing.push('happened.doppler_flow');
  }
  const session = after.filter((one) => kinds.get(one.visit) === SESSION).at(-1);
  if (session !== undefined && session.retreated === undefined) missing.push('happened.retreated');
  return missing;
}
