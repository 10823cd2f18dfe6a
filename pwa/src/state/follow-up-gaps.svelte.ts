/** Who lacks a next act, as the unit's check tells it; asked again after each exchange. */
import type { FollowUpCheck, FollowUpGap, RecordStore } from '../ports';
import { gapWords as words } from '../text/decisions';
import { AskedOfUnit } from './asked-of-unit.svelte';
import type { Place } from './place.svelte';
import { idOf } from './shown';
import { dayWords } from './surveillance-dates';

/** One thing that is missing, and what to do about it. */
export interface GapLine {
  why: string;
  what: string;
  /** The visit, and by when it is due; "" for neither. */
  about: string;
}

/** What is missing in one case of one patient, with where it is mended. */
export interface GapRow {
  key: string;
  title: string;
  lines: GapLine[];
  /** Null where the gap names neither a case nor a patient. */
  place: Place | null;
}

export class FollowUpGaps {
  readonly #unit: AskedOfUnit<FollowUpCheck>;

  constructor(store: RecordStore) {
    this.#unit = new AskedOfUnit(store, () => store.followUpCheck());
  }

  /** In the unit's order of patients, one row a case. */
  readonly rows = $derived.by(() => rowsOf(this.#unit.told?.gaps ?? []));

  /** What the check says where nobody is missing; "" before it said anything. */
  readonly none = $derived.by(() => {
    const told = this.#unit.told;
    if (told === null || told.gaps.length > 0) return '';
    const more = told.not_due > 0 ? ` ${words.notDue(told.not_due)}` : '';
    return words.none(told.with_next_act + told.ended, dayWords(told.as_of_on)) + more;
  });

  /** Why the unit could not be asked, "" when it answered or there is none. */
  readonly notTold = $derived.by(() => this.#unit.notTold);

  dispose(): void {
    this.#unit.dispose();
  }
}

/** Return the gaps as rows: what is missing in one case stands together. */
export function rowsOf(gaps: readonly FollowUpGap[]): GapRow[] {
  const rows = new Map<string, GapRow>();
  for (const gap of gaps) {
    const key = `${gap.patient} ${gap.case}`;
    const row = rows.get(key) ?? { key, title: titleOf(gap), lines: [], place: placeFor(gap) };
    rows.set(key, row);
    row.lines.push(lineOf(gap));
  }
  return [...rows.values()];
}

function titleOf({ name, number, patient, case: caseRecord }: FollowUpGap): string {
  const known = [name, number].filter((part) => part !== '').join(' · ');
  return known || idOf(patient) || [words.noPatient, idOf(caseRecord)].filter(Boolean).join(' · ');
}

function lineOf(gap: FollowUpGap): GapLine {
  const said = (words.kinds as Record<string, { why: string; what: string }>)[gap.kind];
  const due = gap.due_on === '' ? '' : words.due(dayWords(gap.due_on));
  return {
    why: said?.why ?? words.unknown,
    // A unit of a newer release knows what to do; its sentence is English.
    what: said?.what ?? gap.what_to_do,
    about: [gap.label, due].filter((part) => part !== '').join(' · '),
  };
}

/** Where the gap is mended: a reason is given at close-out, all else in Surveillance. */
function placeFor(gap: FollowUpGap): Place | null {
  if (gap.case !== '') {
    const name = gap.kind === 'reason-to-come' ? 'close-out' : 'surveillance';
    return { name, caseId: idOf(gap.case) };
  }
  return gap.patient === '' ? null : { name: 'patient', patient: idOf(gap.patient) };
}
