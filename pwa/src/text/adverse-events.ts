/** Sentences on adverse events: what is asked, and both grades with where they come from. */
import type { Entered, Fact, Graded, Scale } from '../clinical-rules/adverse-events';
import { basisLine } from './workup';

const yesNo = [
  { id: 'yes', words: 'Yes' },
  { id: 'no', words: 'No' },
];

const facts: Record<Fact, string> = {
  phone_contact: 'Contact by phone',
  consultation: 'Consultation',
  emergency_visit: 'Emergency visit',
  observation_hours: 'Observed longer than planned',
  admission_hours: 'Unplanned admission, hours',
  admission_nights: 'Unplanned admission, nights',
  prolonged_nights: 'Planned stay prolonged',
  procedure_aborted: 'Procedure aborted for it',
  drugs: 'Drugs for it, the strongest',
  transfusion: 'Transfusion',
  unplanned_ventilation: 'Unplanned ventilation',
  repeat_endoscopy: 'Repeat endoscopy',
  radiological_intervention: 'Radiological intervention',
  surgery: 'Surgery',
  intensive_care_nights: 'Intensive care',
  failing_organs: 'Failing organs',
  permanent_disability: 'Permanent disability',
  death: 'Death',
};

const scales: Record<Scale, string> = { agree: 'AGREE', asge: 'ASGE' };

const drugs = [
  { id: 'none', words: 'None' },
  { id: 'supportive', words: 'Antiemetic, antipyretic, analgesic, electrolytes' },
  { id: 'other', words: 'Other drug' },
];

function answerWords(entered: Entered): string {
  if (typeof entered === 'boolean') return entered ? 'yes' : 'no';
  return drugs.find(({ id }) => id === entered)?.words.toLowerCase() ?? String(entered);
}

export const eventWords = {
  facts,
  yesNo,
  drugs,
  hours: 'h',
  nights: 'nights',
  organs: 'organs',
  open: (event: string) => `What ${event.toLowerCase()} needed`,
  close: 'Close these questions',
  notAdmitted: 'Not admitted',
  restIsNo: (count: number) => `None of the ${count} that could raise the grade`,
  recorded: (event: string, fact: string) => `${event}: ${fact}`,
  restRecorded: (event: string) => `${event}: none of those that could raise the grade`,
  grade: (scale: Scale, { grade, at_least }: Graded) => {
    if (grade === 'none') {
      return at_least ? `${scales[scale]}: no grade so far` : `${scales[scale]}: no adverse event`;
    }
    return `${scales[scale]}: ${at_least ? 'at least ' : ''}${grade}`;
  },
  because: (because: Graded['because']) =>
    `${because.map(({ fact, entered }) => `${facts[fact]}: ${answerWords(entered)}`).join('; ')}.`,
  noneMet: 'No fact entered gives a grade.',
  fromFacts: 'From the facts entered. A clinician judges.',
  couldRaise: (names: readonly Fact[]) =>
    `Not entered, could raise a grade: ${names.map((name) => facts[name]).join('; ')}.`,
  ungraded: 'Not graded: no facts entered.',
  twoAnswers: (fact: string, answers: string) =>
    `${fact}: two answers, ${answers}. Enter the right one; until then it counts as not entered.`,
  basis: ({ basis, source }: Graded) =>
    basis === null ? '' : `${basisLine(basis, source ?? '')}.`,
  /** The engine's sentence names facts by their keys; a person reads their words. */
  refusal: (sentence: string) =>
    Object.entries(facts).reduce((told, [fact, words]) => told.replaceAll(fact, words), sentence),
  ruleFiles: (files: string) => `Rule files: ${files}.`,
  answer: answerWords,
  // --- events after the procedure
  laterTitle: 'Events up to 30 days',
  laterNote: 'What happened since the procedure, and what it needed.',
  noEvents: 'No event recorded.',
  addEvent: 'Add an event',
  leave: 'Leave as it was',
  whichDay: 'On which day?',
  dayUnknown: 'day not entered',
  day: (day: string, number: number | null) =>
    number === null ? day : `${day}, day ${number} after the procedure`,
  beyond: 'After day 30: recorded, and outside the count of 30 days.',
  before: 'Before the procedure: check the day.',
  undo: (words: string) => `Undo: ${words}`,
};
