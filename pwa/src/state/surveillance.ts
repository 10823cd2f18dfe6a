/**
 * What the follow-up plan is asked with, and what its answer changes in the record. Pure.
 *
 * Visits travel in the booking stream: their label and window never name a finding.
 */
import type { FollowUpAnswer, PlannedVisit } from '../clinical-rules/follow-up';
import type { Draft, HistoryEntry, Json } from '../ports';
import { kept } from '../text/record';
import { draftOn } from './decisions-draft';
import { idOf, isInConflict, type RecordState, shown, structureOf, textOf } from './shown';
import { bookingOf, isOpen, windowOf } from './worklist';

/** One thing that happened, with the visit record it was told about. */
export interface Happening {
  record: string;
  visit: string;
  on: string;
  outcome?: 'attended' | 'no-show' | 'cancelled' | 'done-elsewhere';
  doppler_flow?: boolean;
  obliterated?: boolean;
  not_seen?: boolean;
  retreated?: boolean;
  died?: boolean;
  transferred?: boolean;
  declined?: boolean;
}

/** One input as the screen lists it. `answer` null: not entered. */
export interface KnownInput {
  name: string;
  answer: Json;
  origin: '' | 'from-cause' | 'from-labs';
  isUnsettled: boolean;
}

const WITH_CIRRHOSIS = ['alcohol', 'viral', 'metabolic', 'cholestatic'];
const WITHOUT_CIRRHOSIS = ['portal-vein-thrombosis', 'splenic-vein-thrombosis'];
const ENDS = ['died', 'transferred', 'declined'] as const;

/**
 * Return the inputs of the plan in the order in which they are shown.
 *
 * @param childClass - from the liver scores, null where they lack something
 * @param coils - standing coils placed; @param adhesive - standing injections
 */
export function knownInputs(
  caseState: RecordState | null,
  childClass: string | null,
  coils: readonly RecordState[],
  adhesive: readonly RecordState[],
): KnownInput[] {
  const entered = (name: string): KnownInput => ({
    name,
    answer: shown(caseState, name) ?? null,
    origin: '',
    isUnsettled: isInConflict(caseState, name),
  });
  const derived = (name: string, answer: Json, origin: KnownInput['origin'] = ''): KnownInput => ({
    name,
    answer,
    origin: answer === null ? '' : origin,
    isUnsettled: false,
  });
  return [
    entered('indication'),
    {
      ...derived('cirrhosis', cirrhosisOf(textOf(caseState, 'cause')), 'from-cause'),
      isUnsettled: isInConflict(caseState, 'cause'),
    },
    derived('child_class', childClass, 'from-labs'),
    entered('transplant_listed'),
    entered('on_beta_blocker'),
    derived(
      'adhesive_ul',
      adhesive.reduce((sum, one) => sum + mixOf(one), 0),
    ),
    derived('coils', coils.length),
  ];
}

function cirrhosisOf(cause: string): boolean | null {
  if (WITH_CIRRHOSIS.includes(cause)) return true;
  return WITHOUT_CIRRHOSIS.includes(cause) ? false : null;
}

function mixOf(injection: RecordState): number {
  const mix = structureOf(injection, 'amount')?.mix_ul;
  return typeof mix === 'number' ? mix : 0;
}

/** Return the request for `answerFollowUp`; what is not known is left out, never guessed. */
export function askFollowUp(
  indexOn: string,
  todayOn: string,
  inputs: readonly KnownInput[],
  happened: readonly Happening[],
): Record<string, Json> {
  const answers = new Map(inputs.map(({ name, answer }) => [name, answer]));
  const named = [
    'cirrhosis',
    'child_class',
    'transplant_listed',
    'on_beta_blocker',
    'adhesive_ul',
    'coils',
  ];
  return {
    plan: 'default',
    index_on: indexOn,
    today_on: todayOn,
    acute_bleed: answers.get('indication') === 'acute-bleed',
    conditions: Object.fromEntries(
      named
        .map((name) => [name, answers.get(name) ?? null])
        .filter(([, answer]) => answer !== null),
    ),
    happened: happened
      .filter((one) => !isCancelledAhead(one, todayOn))
      .map(({ record: _record, ...one }) => one as unknown as Json),
  };
}

/** A booking cancelled before its day tells nothing yet, and the rules refuse a later day (FU17). */
function isCancelledAhead(one: Happening, todayOn: string): boolean {
  return one.outcome === 'cancelled' && one.on > todayOn;
}

/**
 * Return what happened at the visits of a case, as the follow-up rules take it.
 *
 * A missed visit stays told after it was booked again: its misses are read from its history.
 *
 * @param histories - visit record to its history, oldest first
 * @param dayOf - civil date of wall milliseconds on this device
 */
export function happeningsOf(
  visits: readonly RecordState[],
  results: readonly RecordState[],
  histories: Readonly<Record<string, readonly HistoryEntry[]>>,
  dayOf: (wallMs: number) => string,
): Happening[] {
  const found: Happening[] = [];
  for (const visit of visits) {
    if (visit.isEnteredInError) continue;
    const planVisit = textOf(visit, 'plan_visit');
    const at = { record: visit.record, visit: planVisit };
    const history = histories[visit.record] ?? [];
    for (const on of missesOf(visit, history)) found.push({ ...at, on, outcome: 'no-show' });
    const status = textOf(visit, 'status');
    // What was opened again did not take place: what was noted of it then counts no more.
    const isToDo = isOpen(visit) && !isInConflict(visit, 'status');
    const result = results.find(
      (one) => !isToDo && !one.isEnteredInError && textOf(one, 'visit') === visit.record,
    );
    const elsewhereOn = status === 'attended' ? structureOf(visit, 'elsewhere')?.on : undefined;
    const isElsewhere = typeof elsewhereOn === 'string';
    const bookedOn = bookingOf(visit)?.on ?? windowOf(visit)?.targetOn ?? '';
    const seenOn = isElsewhere ? elsewhereOn : bookedOn;
    const outcome = isElsewhere ? 'done-elsewhere' : 'attended';
    if (result !== undefined && textOf(result, 'on') !== '') {
      found.push({ ...at, on: textOf(result, 'on'), outcome, ...findingsOf(result) });
    } else if (status === 'attended' && seenOn !== '') {
      found.push({ ...at, on: seenOn, outcome });
    } else if (status === 'cancelled' && bookedOn !== '') {
      found.push({ ...at, on: bookedOn, outcome: 'cancelled' });
    }
    const reason = ENDS.find((end) => textOf(visit, 'ended_because') === end);
    const ending = history.findLast((entry) => !entry.isStruck && entry.set.status === 'ended');
    if (status === 'ended' && reason !== undefined && ending !== undefined) {
      found.push({ ...at, on: dayOf(ending.wallMs), [reason]: true });
    }
  }
  return found.sort((a, b) => (a.on < b.on ? -1 : a.on > b.on ? 1 : 0));
}

function missesOf(visit: RecordState, history: readonly HistoryEntry[]): string[] {
  const misses: string[] = [];
  let bookedOn = windowOf(visit)?.targetOn ?? '';
  for (const entry of history) {
    if (entry.isStruck) continue;
    const booking = entry.set.booking;
    if (typeof booking === 'object' && booking !== null && 'on' in booking) {
      bookedOn = String(booking.on);
    }
    if (entry.set.status === 'no-show' && bookedOn !== '') misses.push(bookedOn);
  }
  return misses;
}

/** Return the findings of a result as the rules take them; "not seen" says nothing of flow (FU18). */
export function findingsOf(
  result: RecordState,
): Pick<Happening, 'doppler_flow' | 'obliterated' | 'not_seen' | 'retreated'> {
  const flow = textOf(result, 'doppler_flow');
  const gone = textOf(result, 'obliterated');
  const retreated = shown(result, 'retreated');
  return {
    ...(flow === 'yes' || flow === 'no' ? { doppler_flow: flow === 'yes' } : {}),
    ...(gone === 'yes' || gone === 'no' ? { obliterated: gone === 'yes' } : {}),
    ...(flow === 'not-seen' ? { not_seen: true } : {}),
    ...(typeof retreated === 'boolean' ? { retreated } : {}),
  };
}

/** What the answer changes in the record. */
export interface PlanChanges {
  fresh: Draft[];
  moved: Draft[];
  /** Open visits that the plan leaves out now; a clinician ends them. */
  gone: RecordState[];
}

/**
 * Return the drafts that bring the recorded visits to the plan; none where it stands already.
 *
 * Visit ids derive from the case and the planned visit: a second press, and a second tablet, meet
 * in the same records. Visits that took place or were ended are never touched.
 */
export function planChanges(
  caseRecord: string,
  patient: string,
  answer: FollowUpAnswer,
  visits: readonly RecordState[],
): PlanChanges {
  const ruleFile = ruleFileWords(answer);
  const changes: PlanChanges = { fresh: [], moved: [], gone: [] };
  const openNames = new Set<string>();
  for (const planned of answer.visits) {
    if (planned.state === 'attended' || planned.state === 'ended') continue;
    openNames.add(planned.visit);
    const own = visits.filter((visit) => textOf(visit, 'plan_visit') === planned.visit);
    const open = own.find(isOpen);
    const window = windowWire(planned);
    if (open !== undefined) {
      if (isInConflict(open, 'window') || isSameWindow(open, planned)) continue;
      changes.moved.push(
        draftOn(open, open.record, { window, rule_file: ruleFile }, { because: kept.recomputed }),
      );
      continue;
    }
    const record = freshRecord(caseRecord, planned, own);
    if (record === null) continue;
    changes.fresh.push(
      draftOn(own.find((visit) => visit.record === record) ?? null, record, {
        patient,
        case: caseRecord,
        plan_visit: planned.visit,
        label: planned.label,
        rule_file: ruleFile,
        window,
        status: 'to-book',
        owner_role: planned.owner_role,
      }),
    );
  }
  // What a clinician added by hand no plan knows: only the end of follow-up takes it along.
  const isLeftOut = (name: string) => (name === '' ? answer.ended !== null : !openNames.has(name));
  changes.gone = visits.filter((visit) => isOpen(visit) && isLeftOut(textOf(visit, 'plan_visit')));
  return changes;
}

/** Null where a clinician ended exactly this visit: the plan does not bring it back. */
function freshRecord(
  caseRecord: string,
  planned: PlannedVisit,
  own: readonly RecordState[],
): string | null {
  const base = `visit/${idOf(caseRecord)}-${planned.visit.replaceAll('_', '-')}`;
  const standing = own.filter((visit) => !visit.isEnteredInError);
  if (
    standing.some((visit) => textOf(visit, 'status') === 'ended' && isSameWindow(visit, planned))
  ) {
    return null;
  }
  if (standing.length === 0) return base;
  const next = `${base}-${planned.anchor_on}`;
  return standing.some((visit) => visit.record === next) ? null : next;
}

/** Return the recorded visit that a planned one stands for, the open one first. */
export function recordedFor(
  planned: PlannedVisit,
  visits: readonly RecordState[],
): RecordState | null {
  const own = visits.filter(
    (visit) => !visit.isEnteredInError && textOf(visit, 'plan_visit') === planned.visit,
  );
  return own.find(isOpen) ?? own.at(-1) ?? null;
}

/** Return the plan's rule file as kept with each visit. */
export function ruleFileWords(answer: FollowUpAnswer): string {
  const [plan] = answer.rule_files;
  return plan === undefined ? '' : `${plan.name} v${plan.version}`;
}

function windowWire(planned: PlannedVisit): Record<string, string> {
  const { earliest_on, target_on, latest_on } = planned;
  return { earliest_on, target_on, latest_on };
}

function isSameWindow(visit: RecordState, planned: PlannedVisit): boolean {
  const window = windowOf(visit);
  return (
    window !== null &&
    window.earliestOn === planned.earliest_on &&
    window.targetOn === planned.target_on &&
    window.latestOn === planned.latest_on
  );
}

/**
 * Return the day on which a visit took place as the record tells it: where it was done elsewhere,
 * else its booking; "" where neither is told.
 */
export function tookPlaceOn(visit: RecordState): string {
  const elsewhereOn = structureOf(visit, 'elsewhere')?.on;
  return typeof elsewhereOn === 'string' ? elsewhereOn : (bookingOf(visit)?.on ?? '');
}

/** Return the result record of a visit: its id follows from the visit's. */
export function resultRecordOf(visit: string): string {
  return `visit_result/${idOf(visit)}`;
}

/** Return a record of which nothing is held. */
export function blankState(record: string): RecordState {
  return { record, fields: {}, struck: [], isEnteredInError: false, heads: [] };
}

/** Return a record as it will read once these fields are saved. */
export function withFields(state: RecordState, set: Readonly<Record<string, Json>>): RecordState {
  const told = Object.entries(set).map(([field, value]) => [
    field,
    { values: [{ value, references: [], by: '', stamp: '' }], isConflict: false },
  ]);
  return { ...state, fields: { ...state.fields, ...Object.fromEntries(told) } };
}
