/**
 * What stands at the head and foot of papers: from whom, about whom, whether a draft. Pure.
 * Twin of `api/documents/paper_head.py`.
 */
import type { Pair } from './paper';
import type { PaperWords } from './paper-words';
import { dayOf, linesIn, patientName, type ShownCase, text } from './shown-case';

/** Return name and address of the unit, line by line. */
export function senderOf(shown: ShownCase): string[] {
  return [shown.unit_name, ...linesIn(shown.unit_address)].filter((line) => line !== '');
}

/** Return the name of the patient; that nobody confirmed the identity stands by it. */
export function nameOfPatient(shown: ShownCase, words: PaperWords): string {
  const { patient } = shown;
  const name = patientName(shown) || words.say('common.no_name');
  const isOpen = patient?.conflicts.includes('identity') ?? false;
  const isUnconfirmed = isOpen || text(patient, 'identity') === 'to-be-confirmed';
  return isUnconfirmed ? words.say('common.unconfirmed', { name }) : name;
}

/** Return who the paper is about, and of which day. */
export function headOf(shown: ShownCase, words: PaperWords): Pair[] {
  const { patient } = shown;
  const bornOn = words.day(text(patient, 'born_on'));
  const sex = words.value('sex', text(patient, 'sex'));
  return [
    [words.say('common.patient'), nameOfPatient(shown, words)],
    [words.say('common.born'), [bornOn, sex].filter((one) => one !== '').join(', ')],
    [words.say('common.number'), text(patient, 'local_id')],
    [words.say('common.procedure_on'), words.day(dayOf(shown))],
    [words.say('common.case'), shown.itself.record.replace(/^case\//, '')],
  ];
}

/**
 * Return what stands at the foot: whom it is about, when it was printed, and the honest line.
 * A page that is torn off still says whom it is about, and whether it is a draft (UX-19).
 */
export function footOf(shown: ShownCase, words: PaperWords): string[] {
  const printed = words.say('common.printed', { day: words.day(shown.on) });
  const about = [nameOfPatient(shown, words), text(shown.patient, 'local_id'), printed];
  return [
    ...draftOf(words),
    about.filter((one) => one !== '').join(' · '),
    words.say('common.honest'),
  ];
}

/** Return the line of a paper in words that nobody has reviewed, none for others (UX-19). */
export function draftOf(words: PaperWords): string[] {
  return words.isDraft ? [words.say('common.draft')] : [];
}
