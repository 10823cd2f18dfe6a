/** What else ends when follow-up of one case is left out because of the person. */
import type { Draft } from '../ports';
import { kept } from '../text/record';
import { surveillance } from '../text/surveillance';
import type { App } from './app';
import { courseRoleOf } from './course-role';
import { type DeathDay, endedByDeath } from './death-day';
import type { RecordState } from './shown';
import { listLabels } from './surveillance-by-hand';
import {
  deathDayDrafts,
  endDrafts,
  endFollowUpDrafts,
  endLabelOf,
  endVisitOf,
} from './surveillance-course';
import { isOpen } from './worklist';
import type { Course } from './worklist-course';

/** Reasons as Close-out records them, by what they are to the visits of the person. */
const ENDS: Readonly<Record<string, 'died' | 'transferred'>> = {
  Died: 'died',
  'Transferred to another unit': 'transferred',
};

/** Say whether a reason of Close-out is that the person died. */
export function isDeath(reason: string): boolean {
  return ENDS[reason] === 'died';
}

/** Why follow-up of one case is left out. */
export interface LeftOut {
  /** `patient/id`, "" where the case names nobody. */
  patient: string;
  /** `case/id` */
  caseRecord: string;
  /** As recorded in `no_follow_up_because`. */
  reason: string;
  /** After a death: its day, where it was asked. */
  diedOn?: DeathDay;
}

/**
 * Return the drafts that end the open visits of every case of a patient who died or went elsewhere:
 * letters go by the visits (HAZ-45). A death is carried by a visit in any case, on its day, as the
 * registry takes it from there (RG16).
 *
 * Any other reason takes back a visit that only carried the death of this case: told in error, it
 * would keep the patient from every letter. None of it where whoever taps is no clinician: the
 * reason is recorded all the same, and the unit's check names the visits.
 *
 * @throws ClinicalRuleError with a sentence, where the rules of the course cannot be read
 */
export async function endsOfThePerson(app: App, leftOut: LeftOut): Promise<Draft[]> {
  const { store, tablet, clock, ruleBook } = app;
  const { patient, caseRecord, reason, diedOn } = leftOut;
  const role = courseRoleOf(tablet.whoTapsRole);
  if (patient === '' || role !== 'clinician') return [];
  const visits = await store.read({ kind: 'visit', parent: patient });
  const course: Course = { ruleBook, todayOn: clock.today(), role, who: '' };
  const end = ENDS[reason];
  if (end !== 'died') {
    const others = end === undefined ? [] : endDrafts(visits.filter(isOpen), end, course);
    return [...others, ...(await takeBack(app, visits, caseRecord))];
  }
  const label = endLabelOf(listLabels(ruleBook));
  const because = surveillance.recordedAs.byHand;
  const followUp = { patient, caseRecord, label, because };
  const ends = endFollowUpDrafts(visits, end, followUp, course, diedOn);
  // What an earlier end says of the day would be read beside this answer.
  const others = diedOn === undefined ? [] : deathDayDrafts(visits, diedOn, course);
  return [...ends, ...others];
}

/** Return the draft that strikes the visit that was made for the death of a case alone. */
async function takeBack(
  { store, ids }: App,
  visits: readonly RecordState[],
  caseRecord: string,
): Promise<Draft[]> {
  const record = endVisitOf(caseRecord, 'died');
  if (!visits.some((visit) => visit.record === record && endedByDeath(visit))) return [];
  // All that still stands: else the planned visit below its end would come back.
  const retract = (await store.history(record))
    .filter((entry) => !entry.isStruck && Object.keys(entry.set).length > 0)
    .map((entry) => entry.reference);
  return [{ draftId: ids.newId(), record, retract, because: kept.inError }];
}
