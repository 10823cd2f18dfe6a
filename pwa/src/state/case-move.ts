/**
 * A case that belongs to another person goes there whole: what was recorded stays under the case,
 * its visits go along, and every entry keeps its name (HAZ-01). Pure.
 */
import type { Draft, HistoryEntry, RecordState } from '../ports';
import { draftOn, strikeAllDrafts } from './decisions-draft';
import { isIdentityOpen } from './identity';
import { isInConflict, textOf } from './shown';

/** By these two people are told apart; two answers to one of them stand as they are. */
const TRAITS = ['family_name', 'given_name', 'born_on', 'sex', 'local_id'] as const;
export type Trait = (typeof TRAITS)[number];

export interface TraitOfBoth {
  trait: Trait;
  /** As shown, "" where nothing is, `?` for two answers. */
  here: string;
  there: string;
  isSame: boolean;
}

/** Return who is named on either side, what differs first (HAZ-42). */
export function compareTraits(here: RecordState, there: RecordState): TraitOfBoth[] {
  const told = (state: RecordState, trait: Trait) =>
    isInConflict(state, trait) ? '?' : textOf(state, trait);
  const rows = TRAITS.map((trait) => {
    const [one, other] = [told(here, trait), told(there, trait)];
    return { trait, here: one, there: other, isSame: one === other && one !== '' && one !== '?' };
  });
  return [...rows.filter(({ isSame }) => !isSame), ...rows.filter(({ isSame }) => isSame)];
}

/** Return who a case could belong to instead: everybody else who stands, by name. */
export function othersOf(patients: readonly RecordState[], here: string): RecordState[] {
  const name = (state: RecordState) =>
    `${textOf(state, 'family_name')}, ${textOf(state, 'given_name')}`;
  return patients
    .filter((one) => one.record !== here && !one.isEnteredInError && !isIdentityOpen(one))
    .sort((one, other) => name(one).localeCompare(name(other)));
}

export interface CaseMove {
  itself: RecordState;
  from: RecordState;
  /** What was written of the person it leaves. */
  history: readonly HistoryEntry[];
  to: RecordState;
  /** Visits of the case. */
  visits: readonly RecordState[];
  /** How many cases stand under the person it leaves. */
  casesThere: number;
  because: string;
}

/**
 * Return the drafts that move a case; saved together or not at all.
 *
 * The stand-in for somebody unknown, of whom nothing is left then, is struck: it was never a person.
 */
export function moveDrafts(move: CaseMove): Draft[] {
  const { itself, from, history, to, visits, casesThere, because } = move;
  const drafts = [itself, ...visits.filter((visit) => !visit.isEnteredInError)].map((state) =>
    draftOn(state, state.record, { patient: to.record }, { because }),
  );
  const isStandIn = isIdentityOpen(from) && casesThere === 1;
  return isStandIn ? [...drafts, ...strikeAllDrafts(from.record, history, because)] : drafts;
}
