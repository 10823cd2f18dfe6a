/** Sentences of the Close-out screen. */
import type { CountedItem, ItemCount, OpenPoint } from '../state/close-out';

const packages: Record<CountedItem, string> = {
  coil: 'Coil packages',
  needle: 'Needle packages',
  adhesive: 'Adhesive packages',
};

const plural = (count: number, one: string) => `${count} ${one}${count === 1 ? '' : 's'}`;

export const closeOut = {
  title: 'Close-out',
  notFound: 'This case is not here yet.',
  counts: 'Counts',
  countLine: ({ item, opened, placed, discarded, used }: ItemCount) =>
    item === 'coil'
      ? `${packages.coil}: ${opened} opened = ${placed} placed + ${discarded} discarded`
      : `${packages[item]}: ${opened} opened = ${used} used + ${discarded} discarded`,
  countOff: ({ item, opened, placed, discarded, used }: ItemCount) =>
    item === 'coil'
      ? `${packages.coil}: ${opened} opened, ${placed} placed, ${discarded} discarded.`
      : `${packages[item]}: ${opened} opened, ${used} used, ${discarded} discarded.`,
  stillOpen: (count: number) => `${plural(count, 'package')} open: say what became of it.`,
  withoutPackage: (count: number) => `${plural(count, 'coil')} placed without a package.`,
  noPackages: 'No package recorded.',
  discarded: 'Discarded',
  used: 'Used',
  addPackage: 'Package was opened',
  lotOf: (lot: string) => `lot ${lot}`,
  lotUnknown: 'lot unknown',
  lotMissing: 'lot not entered',
  given: 'Given',
  pure: 'Adhesive (pure)',
  mix: 'Mix (adhesive + oil)',
  flush: 'Flush',
  coils: 'Coils placed',
  outcome: 'Outcome',
  doppler: 'Doppler flow at the end',
  dopplerChoices: [
    { id: 'none', words: 'None' },
    { id: 'reduced', words: 'Reduced' },
    { id: 'unchanged', words: 'Unchanged' },
  ],
  success: 'Technical success',
  yesNo: [
    { id: 'yes', words: 'Yes' },
    { id: 'no', words: 'No' },
  ],
  complications: 'Complications',
  none: 'None',
  kinds: [
    { id: 'bleeding', words: 'Bleeding' },
    { id: 'embolism', words: 'Embolism' },
    { id: 'fever', words: 'Fever' },
    { id: 'perforation', words: 'Perforation' },
    { id: 'needle-stuck', words: 'Needle stuck' },
    { id: 'airway', words: 'Airway' },
    { id: 'pain', words: 'Pain' },
    { id: 'other', words: 'Other' },
  ],
  addKind: (what: string) => `Add ${what}`,
  orders: 'Orders',
  nilByMouth: 'Nil by mouth',
  nilChoices: [
    { id: '2', words: '2 h' },
    { id: '4', words: '4 h' },
    { id: '6', words: '6 h' },
    { id: '12', words: '12 h' },
    { id: '0', words: 'May eat now' },
  ],
  until: (time: string) => `until ${time}`,
  observation: 'Observation',
  observationChoices: [
    { id: '4', words: '4 h' },
    { id: '6', words: '6 h' },
    { id: '12', words: '12 h' },
    { id: '24', words: '24 h' },
    { id: '48', words: '48 h' },
  ],
  antibiotic: 'Antibiotic course',
  antibioticChoices: [
    { id: '0', words: 'None' },
    { id: '1', words: 'Once only' },
    { id: '3', words: '3 days' },
    { id: '5', words: '5 days' },
    { id: '7', words: '7 days' },
  ],
  followUp: 'Follow-up',
  visits: (count: number, next: string) =>
    `${plural(count, 'visit')} planned${next ? `, next from ${next}` : ''}.`,
  makePlan: 'Make the plan',
  seePlan: 'See the plan',
  noFollowUp: 'No follow-up, because',
  noFollowUpReasons: [
    'Patient declined',
    'Transferred to another unit',
    'Follow-up elsewhere',
    'Died',
    'Other, note later',
  ],
  sign: 'Sign',
  whoSigns: 'Who signs?',
  noSigner: 'No endoscopist in the staff list. Sign as the one who taps.',
  signAsTapper: 'Sign as the one who taps',
  hold: 'Hold 1 s: sign and close',
  holdAgain: 'Hold 1 s: sign again',
  passGate: 'sign with a reason',
  passOne: 'give a reason',
  open: {
    counts: 'Counts do not agree. Correct them, or give a reason.',
    'follow-up': 'No follow-up plan. Make one, or say why not.',
    outcome: 'Outcome is not complete.',
    complications: 'Complications not entered. Press "None" if none.',
  } satisfies Record<OpenPoint, string>,
  blocked: 'Not closed yet. Settle the points, give a reason, or close later.',
  later: 'Close later',
  laterNote: 'The case stays open and listed.',
  newer: (count: number) =>
    `This case holds ${count === 1 ? '1 entry' : `${count} entries`} of a newer version of the app, which cannot be read here. Connect to the unit, close every window of the app and open it again, then sign.`,
  signed: (who: string, at: string) => `Signed by ${who}, ${at}.`,
  unchanged: 'Nothing has changed since.',
  changed: 'Changed after signing. Look at the entries and sign again.',
  bodyWords: (what: string) => `Complication: ${what}`,
  undo: (words: string) => `Undo: ${words}`,
};
