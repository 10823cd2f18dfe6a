/** What happened at the visits of a case, as the follow-up rules take it. Pure. */
import type { HistoryEntry } from '../ports';
import { DEATH_DAY } from './death-day';
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

const ENDS = ['died', 'transferred', 'declined'] as const;

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
      // On the day of death where it is known, else on the day on which somebody said so.
      const on = textOf(visit, DEATH_DAY) || dayOf(ending.wallMs);
      found.push({ ...at, on, [reason]: true });
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
