/**
 * What the answer of the follow-up rules changes in the record. Pure.
 *
 * Visits travel in the booking stream: their label and window never name a finding.
 */
import type { FollowUpAnswer, PlannedVisit } from '../clinical-rules/follow-up';
import type { Draft } from '../ports';
import { kept } from '../text/record';
import { draftOn } from './decisions-draft';
import { idOf, isInConflict, type RecordState, textOf } from './shown';
import { isOpen, windowOf } from './worklist';

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
        status: 'planned',
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
