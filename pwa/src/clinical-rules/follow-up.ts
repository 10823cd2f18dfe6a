/**
 * Surveillance after treatment: dated visits with windows, and the one act that comes next.
 * Twin of `follow_up.py`; vectors in `tests/conformance/follow_up`.
 */
import { addDays, addInterval } from './civil-date';
import { CalculationRefusedError, ShapeError } from './errors';
import { nameInputs } from './follow-up-inputs';
import { nameRuleFiles, type RuleBook } from './rule-book';
import { rowShape } from './rule-file';
import { civilDate, flag, listOf, naturalNumber, oneOf, shape, text, wholeNumber } from './shapes';

const OUTCOMES = ['attended', 'no-show', 'cancelled', 'done-elsewhere'] as const;
const readHappened = shape(
  { visit: text, on: civilDate },
  {
    outcome: oneOf(...OUTCOMES),
    doppler_flow: flag,
    obliterated: flag,
    retreated: flag,
    died: flag,
    transferred: flag,
    declined: flag,
  },
);
const readConditions = shape(
  {},
  {
    cirrhosis: flag,
    child_class: oneOf('A', 'B', 'C'),
    transplant_listed: flag,
    on_beta_blocker: flag,
    oesophageal_banded: flag,
    adhesive_ul: naturalNumber,
    coils: naturalNumber,
  },
);
const readRequest = shape(
  { plan: text, index_on: civilDate, acute_bleed: flag, today_on: civilDate },
  { conditions: readConditions, happened: listOf(readHappened) },
);
const orNull = (content: unknown, where: string): number | null =>
  content === null ? null : wholeNumber(content, where);
const readVisitRow = rowShape({
  visit: text,
  kind: text,
  label: text,
  owner_role: text,
  anchor: text,
  months: wholeNumber,
  days: wholeNumber,
  before_days: wholeNumber,
  after_days: wholeNumber,
  repeat_months: orNull,
  when: text,
  lapses: flag,
  because: text,
});
const readEarlyLookRow = rowShape({
  above_adhesive_ul: wholeNumber,
  from_coils: wholeNumber,
  no_shows_to_clinician: wholeNumber,
});

type FollowUpRequest = ReturnType<typeof readRequest>;
type Happened = ReturnType<typeof readHappened>;
type Conditions = ReturnType<typeof readConditions>;
type VisitRow = ReturnType<typeof readVisitRow>;
type EarlyLookRow = ReturnType<typeof readEarlyLookRow>;

export type VisitState = 'planned' | 'due' | 'overdue' | 'attended' | 'no-show-rebook' | 'ended';

/** One dated visit of the answer; keys as in `calculate`. */
export interface PlannedVisit {
  visit: string;
  kind: string;
  /** Plain words for the booking staff, without a finding. */
  label: string;
  anchor: string;
  anchor_on: string;
  earliest_on: string;
  target_on: string;
  latest_on: string;
  state: VisitState;
  owner_role: string;
  because: string;
  basis: string | null;
  source: string | null;
  /** Keys of the request that the visit and its date rest on. */
  inputs: string[];
}

export interface FollowUpAnswer {
  visits: PlannedVisit[];
  next: { visit: string; on: string; owner_role: string; because: string } | null;
  ended: { on: string; reason: string } | null;
  assumed: string[];
  /** What a condition lacks to be decided. */
  missing: string[];
  rule_files: { name: string; version: number; sha256: string }[];
}

interface Course {
  indexOn: string;
  treatedOn: string;
  lookedOn: string | null;
  flow: boolean | null;
  obliteratedOn: string | null;
  lastContactOn: string;
  isRetreated: boolean;
}

const EARLY_LOOK = 'follow_up/early_look';
const ENDS = ['died', 'transferred', 'declined'] as const;
const ASSUMED = [
  'cirrhosis',
  'transplant_listed',
  'on_beta_blocker',
  'oesophageal_banded',
] as const;
const FINDINGS = ['doppler_flow', 'obliterated', 'retreated'] as const;

/** Whether a visit took place: it did where it left a finding (FU7). */
function isSeen(one: Happened): boolean {
  if (one.outcome !== undefined)
    return one.outcome === 'attended' || one.outcome === 'done-elsewhere';
  return FINDINGS.some((key) => one[key] !== undefined);
}
const latestOf = (dates: readonly string[]) => [...dates].sort().at(-1) ?? '';
const isOpen = (visit: PlannedVisit) => visit.state !== 'attended' && visit.state !== 'ended';
const byTarget = (a: PlannedVisit, b: PlannedVisit) =>
  compare(a.target_on, b.target_on) || compare(a.visit, b.visit);

function compare(a: string, b: string): number {
  return a < b ? -1 : a > b ? 1 : 0;
}

/**
 * Return the visits of a plan with their windows and states, and the next act (FU1-FU17).
 *
 * @throws ShapeError when a key or type is wrong
 * @throws CalculationRefusedError when the plan is not in force
 */
export function answerFollowUp(request: unknown, ruleBook: RuleBook): FollowUpAnswer {
  const read = readRequest(request, '');
  const name = read.plan === 'default' ? 'follow_up/default' : `follow_up/${read.plan}`;
  if (!ruleBook.has(name) || name === EARLY_LOOK) {
    throw new CalculationRefusedError(
      `No follow-up plan ${read.plan} is in force. Use default, or approve the plan.`,
    );
  }
  const plan = ruleBook.ruleFile(name, readVisitRow);
  const early = ruleBook.ruleFile(EARLY_LOOK, readEarlyLookRow);
  const [limits] = early.rows;
  if (limits === undefined) throw new RangeError('follow_up/early_look has no rows');
  refuseImpossibleDays(read);
  const happened = [...(read.happened ?? [])].sort((a, b) => compare(a.on, b.on));
  const conditions = read.conditions ?? {};
  const course = readCourse(read.index_on, happened);
  const holds = holdConditions(read.acute_bleed, conditions, course, limits);
  const ended = findEnd(happened);
  const rows = plan.rows.filter((row) => holds[row.when]);
  const planned = rows.map((row) => visitOf(row, course, happened, read, ended !== null));
  let visits = planned.map((visit, place) =>
    supersede(visit, planned, rows[place]?.lapses === true),
  );
  if (ended === null && !visits.some(isOpen)) {
    const review = plan.rows.filter((row) => row.when === 'nothing_else');
    visits = [...visits, ...review.map((row) => visitOf(row, course, happened, read, false))];
  }
  visits.sort(byTarget);
  return {
    visits,
    next: ended ? null : nextAct(visits, happened, read.today_on, limits.no_shows_to_clinician),
    ended,
    assumed: ASSUMED.filter((key) => conditions[key] === undefined).map((key) => `${key}: false`),
    missing: findMissing(conditions),
    rule_files: nameRuleFiles(plan, early),
  };
}

function readCourse(indexOn: string, happened: readonly Happened[]): Course {
  const seen = happened.filter(isSeen);
  const retreated = seen.filter((one) => one.retreated).map((one) => one.on);
  const treatedOn = latestOf([indexOn, ...retreated]);
  // A look on the day of the treatment itself came before it and says nothing of its result.
  const looks = seen.filter(
    (one) =>
      one.on > treatedOn && (one.doppler_flow !== undefined || one.obliterated !== undefined),
  );
  let flow: boolean | null = null;
  let obliteratedOn: string | null = null;
  for (const look of looks) {
    const isGone = look.obliterated === true && look.doppler_flow !== true;
    flow = look.doppler_flow ?? !isGone;
    obliteratedOn = isGone ? (obliteratedOn ?? look.on) : null;
  }
  return {
    indexOn,
    treatedOn,
    lookedOn: looks.at(-1)?.on ?? null,
    flow,
    obliteratedOn,
    lastContactOn: latestOf([indexOn, ...seen.map((one) => one.on)]),
    isRetreated: retreated.length > 0,
  };
}

/** Which named conditions hold (FU3); no expression is read from a file. */
function holdConditions(
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
    obliterated: course.obliteratedOn !== null,
    obliterated_or_retreated: course.obliteratedOn !== null || course.isRetreated,
    oesophageal_banded: conditions.oesophageal_banded === true,
    liver_ultrasound: conditions.cirrhosis === true && (child === 'A' || child === 'B' || isListed),
    on_beta_blocker: conditions.on_beta_blocker === true,
    nothing_else: false,
  };
}

function findEnd(happened: readonly Happened[]): FollowUpAnswer['ended'] {
  for (const one of happened) {
    const reason = ENDS.find((end) => one[end] === true);
    if (reason !== undefined) return { on: one.on, reason };
  }
  return null;
}

function visitOf(
  row: VisitRow,
  course: Course,
  happened: readonly Happened[],
  read: FollowUpRequest,
  isEnded: boolean,
): PlannedVisit {
  const anchors: Record<string, string> = {
    procedure: course.indexOn,
    treatment: course.treatedOn,
    last_look: course.lookedOn ?? course.treatedOn,
    obliteration: course.obliteratedOn ?? course.treatedOn,
    last_contact: course.lastContactOn,
  };
  let anchorOn = anchors[row.anchor] ?? course.indexOn;
  let own = happened.filter((one) => one.visit === row.visit && one.on > anchorOn);
  let { months, days } = row;
  const attended = own.filter(isSeen).at(-1);
  const isRepeated = row.repeat_months !== null && attended !== undefined;
  if (row.repeat_months !== null && attended !== undefined) {
    // The next turn counts from the last one that took place (FU6).
    [anchorOn, months, days] = [attended.on, row.repeat_months, 0];
    own = own.filter((one) => one.on > attended.on);
  }
  const targetOn = addInterval(anchorOn, months, days);
  const earliestOn = addDays(targetOn, -row.before_days);
  const latestOn = addDays(targetOn, row.after_days);
  return {
    visit: row.visit,
    kind: row.kind,
    label: row.label,
    anchor: row.anchor,
    anchor_on: anchorOn,
    earliest_on: earliestOn,
    target_on: targetOn,
    latest_on: latestOn,
    state: stateOf(own, isEnded, read.today_on, earliestOn, latestOn),
    owner_role: row.owner_role,
    because: row.because,
    basis: row.basis ?? null,
    source: row.source ?? null,
    inputs: nameInputs(row.anchor, row.when, read, isRepeated),
  };
}

function stateOf(
  own: readonly Happened[],
  isEnded: boolean,
  todayOn: string,
  earliestOn: string,
  latestOn: string,
): VisitState {
  if (own.some(isSeen)) return 'attended';
  if (isEnded) return 'ended';
  if (own.findLast((one) => one.outcome !== undefined)?.outcome === 'no-show') {
    return 'no-show-rebook';
  }
  if (todayOn > latestOn) return 'overdue';
  return todayOn >= earliestOn ? 'due' : 'planned';
}

/** End a visit that was missed once a later one stands for it (FU8, FU13). */
function supersede(
  visit: PlannedVisit,
  visits: readonly PlannedVisit[],
  lapses: boolean,
): PlannedVisit {
  const later = visits.filter(
    (other) => other.state === 'attended' && other.target_on > visit.target_on,
  );
  if (!isOpen(visit)) return visit;
  if (later.some((other) => other.kind === visit.kind)) {
    return { ...visit, state: 'ended', because: 'A later visit of this kind took place.' };
  }
  if (lapses && later.length > 0) {
    return { ...visit, state: 'ended', because: 'A later visit took place.' };
  }
  return visit;
}

/** The condition that decides on the liver ultrasound and was not given (FU14). */
function findMissing(conditions: Conditions): string[] {
  const isOpenQuestion = conditions.cirrhosis === true && conditions.transplant_listed !== true;
  return isOpenQuestion && conditions.child_class === undefined ? ['conditions.child_class'] : [];
}

/** Refuse what is said to have happened after today, and an end before the beginning (FU17). */
function refuseImpossibleDays(read: ReturnType<typeof readRequest>): void {
  for (const [place, one] of (read.happened ?? []).entries()) {
    if (one.on > read.today_on) {
      throw new ShapeError(`happened[${place}].on ${one.on} lies after today_on. Correct the day.`);
    }
    if (one.on < read.index_on && ENDS.some((reason) => one[reason] === true)) {
      throw new ShapeError(
        `happened[${place}].on ${one.on} lies before index_on. Correct the day.`,
      );
    }
  }
}

/** The one next act; an overdue or missed visit comes before a later one (FU9). */
function nextAct(
  visits: readonly PlannedVisit[],
  happened: readonly Happened[],
  todayOn: string,
  noShowsToClinician: number,
): FollowUpAnswer['next'] {
  const visit = visits.filter(isOpen).sort(byTarget)[0];
  if (visit === undefined) throw new RangeError('FU10: a course that has not ended has a next act');
  const missed = happened.filter(
    (one) => one.visit === visit.visit && one.outcome === 'no-show' && one.on > visit.anchor_on,
  ).length;
  let [owner, because] = [visit.owner_role, visit.because];
  if (missed >= noShowsToClinician) {
    // Whatever was booked or cancelled since: who stayed away twice is a clinician's (HAZ-43).
    [owner, because] = ['clinician', 'Did not come twice: a clinician decides.'];
  } else if (visit.latest_on < todayOn) {
    [owner, because] = ['clinician', `Past its latest date. ${because}`];
  } else if (visit.state === 'no-show-rebook') {
    [owner, because] = ['booking', 'Did not come: book again.'];
  }
  return {
    visit: visit.visit,
    on: visit.target_on > todayOn ? visit.target_on : todayOn,
    owner_role: owner,
    because,
  };
}
