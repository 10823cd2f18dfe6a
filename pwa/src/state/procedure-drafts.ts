/**
 * The operations of one act at the bedside: a step passed, and what physically happened with it.
 *
 * All records of an act share its id, so that undo finds them again after a restart. Pure: ids
 * and times are arguments.
 */
import { nameRuleFiles } from '../clinical-rules/rule-book';
import type { RuleFile } from '../clinical-rules/rule-file';
import {
  CHOOSE,
  type Move,
  type Round,
  type Step,
  type StepOutcome,
} from '../clinical-rules/step-protocol';
import type { Draft, HistoryEntry } from '../ports';
import type { Override } from './override';
import { type Confirmation, keptConfirmation } from './pin';
import { protocolOf } from './plan';
import { headsOf, idOf, type Json, overOf, type RecordState, textOf } from './shown';

type Parts = Record<string, Json>;

/** Which act, in which case, when. */
export interface ActMark {
  /** Small letters and digits alone. */
  actId: string;
  caseRecord: string;
  /** ISO 8601 with offset. */
  at: string;
}

/** Kinds whose records an act may make; undo strikes them together. */
export const ACT_KINDS = [
  'step_event',
  'puncture',
  'package_opened',
  'coil_placed',
  'adhesive_injected',
  'flush',
  'complication',
] as const;

const DIVIDER = '--';

/** Return the act that a record was made by. */
export function actOf(record: string): string {
  return idOf(record).split(DIVIDER, 1)[0] ?? '';
}

/** Return a draft for a new record of this act. `part` tells several of one kind apart. */
export function madeDraft(mark: ActMark, kind: string, set: Parts, part = ''): Draft {
  const id = part === '' ? mark.actId : `${mark.actId}${DIVIDER}${part.replaceAll('_', '-')}`;
  return {
    draftId: `${kind}-${id}`,
    record: `${kind}/${id}`,
    set: { case: mark.caseRecord, ...set, at: mark.at },
  };
}

/** An override, with how its person has shown to be the one who answers for it [HAZ-25]. */
export type GivenOverride = Override & { confirmation?: Confirmation };

export interface PassedStep {
  step: string;
  round: Round;
  outcome: StepOutcome;
  answers?: Parts;
  override?: GivenOverride;
}

/** Return the draft of a step passed. */
export function stepDraft(mark: ActMark, passed: PassedStep, part = ''): Draft {
  const { step, round, outcome, answers, override: given } = passed;
  return madeDraft(
    mark,
    'step_event',
    {
      step,
      round: { ...round },
      outcome,
      ...(answers && Object.keys(answers).length > 0 ? { answers } : {}),
      ...(given ? givenParts(given) : {}),
    },
    part,
  );
}

function givenParts({ confirmation, ...override }: GivenOverride): Record<string, Json> {
  return confirmation ? { override, confirmation: keptConfirmation(confirmation) } : { override };
}

/** Return the draft of a move chosen between steps. */
export function moveDraft(mark: ActMark, round: Round, move: Move): Draft {
  return madeDraft(mark, 'step_event', {
    step: CHOOSE,
    round: { ...round },
    outcome: 'done',
    move,
  });
}

/** Return the drafts of an act, the first step passed naming the gates that came up (GATE-05). */
export function sayRaised(drafts: Draft[], raised: readonly string[]): Draft[] {
  const place = drafts.findIndex(({ set }) => set?.step !== undefined);
  const first = drafts[place];
  if (first?.set === undefined || raised.length === 0) return drafts;
  const answers = { ...(first.set.answers as object | undefined), gates_shown: [...raised] };
  return drafts.with(place, { ...first, set: { ...first.set, answers } });
}

/** Return the draft that changes what became of a package, over what was on screen. */
export function fateDraft(mark: ActMark, opened: RecordState, fate: string): Draft {
  return {
    draftId: `fate-${mark.actId}-${idOf(opened.record)}`,
    record: opened.record,
    set: { fate },
    over: overOf(opened, 'fate'),
  };
}

/** Return the draft that adds what is known of a package's device, over what was on screen. */
export function deviceDraft(mark: ActMark, opened: RecordState, device: Parts): Draft {
  return {
    draftId: `device-${mark.actId}-${idOf(opened.record)}`,
    record: opened.record,
    set: { device },
    over: overOf(opened, 'device'),
  };
}

/**
 * Return the drafts that undo an act: one retraction a record, nothing is deleted (HAZ-16).
 *
 * The ids derive from the act, so undoing it twice retracts it once.
 *
 * @param records - of the case, every kind in `ACT_KINDS`
 * @param histories - by record: of the act's own records, and of packages that an earlier act
 *   opened, to take back what this act made of them
 */
export function undoDrafts(
  actId: string,
  records: readonly RecordState[],
  histories: ReadonlyMap<string, readonly HistoryEntry[]> = new Map(),
): Draft[] {
  const own = records.filter((record) => actOf(record.record) === actId);
  const drafts = own
    .filter((record) => headsOf(record).length > 0)
    .map((record) => retraction(actId, record.record, headsOf(record)));
  // Operations of one save carry one wall time: that tells this act's entry from later ones.
  const savedAt = new Set(
    own.flatMap(({ record }) => histories.get(record) ?? []).map((entry) => entry.wallMs),
  );
  for (const opened of touchedPackages(actId, records)) {
    const references = (histories.get(opened) ?? [])
      .filter((entry) => !entry.isStruck && isFollowUp(entry) && savedAt.has(entry.wallMs))
      .map((entry) => entry.reference);
    if (references.length > 0) drafts.push(retraction(actId, opened, references));
  }
  return drafts;
}

/** Return the packages of earlier acts whose fate or device this act has set. */
export function touchedPackages(actId: string, records: readonly RecordState[]): string[] {
  const own = records.filter((record) => actOf(record.record) === actId);
  const named = own.flatMap((record) => {
    const opened = textOf(record, 'package') || packageInAnswers(record);
    return opened === '' || actOf(opened) === actId ? [] : [opened];
  });
  return [...new Set(named)];
}

/** A later entry on a package: it sets the fate or the device, not the case it belongs to. */
function isFollowUp(entry: HistoryEntry): boolean {
  return !('case' in entry.set) && ('fate' in entry.set || 'device' in entry.set);
}

export function packageInAnswers(record: RecordState): string {
  const answers = record.fields.answers?.values.at(-1)?.value;
  const opened = (answers as { package?: unknown } | null | undefined)?.package;
  return typeof opened === 'string' ? opened : '';
}

function retraction(actId: string, record: string, retract: readonly string[]): Draft {
  return {
    draftId: `undo-${actId}-${record.replace('/', '-')}`,
    record,
    retract: [...retract],
    because: 'undone on screen',
  };
}

/** Return the draft that sets the stage of a case. */
export function stageDraft(itself: RecordState, stage: string): Draft {
  return {
    draftId: `stage-${stage}-${itself.record.replace('/', '-')}`,
    record: itself.record,
    set: { stage },
    over: overOf(itself, 'stage'),
  };
}

/**
 * Return the draft that starts a procedure.
 *
 * A case without a plan takes up the step protocol here, so that an update in the middle changes
 * none of its questions (HAZ-10). The day it was planned for gives way to the day it is done: the
 * follow-up counts from there (FU-02).
 *
 * @param today - civil date of the tablet
 */
export function startDraft(itself: RecordState, protocol: RuleFile<Step>, today: string): Draft {
  const draft = stageDraft(itself, 'in-procedure');
  const set = { ...draft.set };
  const changed = ['stage'];
  if (textOf(itself, 'procedure_on') !== today) {
    set.procedure_on = today;
    changed.push('procedure_on');
  }
  if (protocolOf(itself) === undefined) {
    const [named] = nameRuleFiles(protocol);
    set.step_protocol = { ...named };
  }
  return { ...draft, set, over: overOf(itself, ...changed) };
}
