/** What else ends when follow-up of one case is left out because of the person. */
import type { Draft } from '../ports';
import type { App } from './app';
import { courseRoleOf } from './course-role';
import { endDrafts } from './surveillance-course';
import { isOpen } from './worklist';

/** Reasons as Close-out records them, by what they are to the visits of the person. */
const ENDS: Readonly<Record<string, 'died' | 'transferred'>> = {
  Died: 'died',
  'Transferred to another unit': 'transferred',
};

/**
 * Return the drafts that end the open visits of every case of a patient who died or went elsewhere:
 * letters go by the visits (HAZ-45).
 *
 * None for any other reason, and none where whoever taps is no clinician: the reason is recorded
 * all the same, and the unit's check names the visits.
 *
 * @param reason - as recorded in `no_follow_up_because`
 */
export async function endsOfThePerson(
  { store, tablet, clock, ruleBook }: App,
  patient: string,
  reason: string,
): Promise<Draft[]> {
  const end = ENDS[reason];
  const role = courseRoleOf(tablet.whoTapsRole);
  if (end === undefined || role !== 'clinician') return [];
  const visits = await store.read({ kind: 'visit', parent: patient });
  return endDrafts(visits.filter(isOpen), end, { ruleBook, todayOn: clock.today(), role, who: '' });
}
