/**
 * What the record says about the question of a step, so that it can be answered on the spot.
 *
 * Shows what was entered and says where nothing was; decides nothing.
 */
import type { CaseRecord } from './case-record.svelte';
import { countsOf } from './close-out';
import { listOf, shown, structureOf, textOf } from './shown';

/** One line: what it is about, and what was entered ("" when nothing). */
export interface StepFact {
  about: FactName;
  /** Ids or words as recorded; the screen puts them into words. */
  entered: string[];
}

export type FactName =
  | 'patient'
  | 'consent'
  | 'allergies'
  | 'drugs'
  | 'airway'
  | 'shunt'
  | 'right_to_left_shunt'
  | 'needle'
  | 'adhesive'
  | 'targets'
  | 'packages'
  // of the plan in use, at the time out
  | 'planned_stop'
  | 'planned_coils'
  | 'planned_pure'
  | 'planned_mix'
  | 'planned_flush'
  | 'second_person';

const ABOUT: Readonly<Record<string, readonly FactName[]>> = {
  consent: ['consent'],
  allergies: ['allergies'],
  drugs_held: ['drugs'],
  airway: ['airway'],
  shunt_seen: ['shunt'],
  time_out: ['targets', 'needle', 'adhesive', 'right_to_left_shunt'],
  aliquot_ready: ['shunt', 'right_to_left_shunt'],
  counts: ['packages'],
};

/** Return the facts that belong to a step; none for a step that asks about nothing recorded. */
export function stepFacts(stepId: string, record: CaseRecord): StepFact[] {
  return (ABOUT[stepId] ?? []).map((about) => ({ about, entered: enteredOf(about, record) }));
}

function enteredOf(about: FactName, record: CaseRecord): string[] {
  const { itself } = record;
  const words = (content: unknown) => (typeof content === 'string' && content ? [content] : []);
  switch (about) {
    case 'consent':
      return words(structureOf(itself, 'consent')?.given);
    case 'allergies':
      return listOf(itself, 'allergies').map(String);
    case 'drugs': {
      const drugs = structureOf(itself, 'antithrombotics')?.drugs;
      if (!Array.isArray(drugs)) return [];
      return drugs.length === 0 ? ['none'] : drugs.map(String);
    }
    case 'airway':
      return words(structureOf(itself, 'airway')?.choice);
    case 'shunt':
    case 'right_to_left_shunt':
      return words(shown(itself, about));
    case 'needle': {
      const gauge = structureOf(itself, 'needle')?.gauge;
      return typeof gauge === 'number' ? [`${gauge} G`] : [];
    }
    case 'adhesive':
      return words(structureOf(itself, 'adhesive')?.agent);
    case 'targets':
      return record.standing('target').map((target) => textOf(target, 'label'));
    case 'packages':
      return countsOf(record.standing('package_opened'), record.standing('coil_placed'))
        .filter(({ item }) => item === 'coil')
        .map(({ opened, placed, discarded, returned, open }) =>
          // Laid out and not opened: back on the shelf, or to be settled at close-out.
          [`${opened} = ${placed}`, discarded, returned + open.length].join(' + '),
        );
    default:
      return [];
  }
}
