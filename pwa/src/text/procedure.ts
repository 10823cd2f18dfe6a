/** Sentences of the Procedure screen: at most six words at the bedside (UX-19). */
import type { Move, Step } from '../clinical-rules/step-protocol';
import type { CountedItem } from '../state/close-out';
import { milliText } from '../state/number-entry';
import { OWN_PLAN_STEP, type PassedAct } from '../state/procedure-events';
import { mlText, mmText } from '../state/tally';

type Parts = { readonly [part: string]: unknown };

/** What a yes-or-no step says on its two buttons; the first is the primary action. */
const yesNo: Record<string, { primary: [words: string, isYes: boolean]; second: string }> = {
  oesophagus: { primary: ['No large varices on route', false], second: 'Large varices seen' },
  retroflexion: { primary: ['Varices seen', true], second: 'None seen' },
  shunt_seen: { primary: ['No shunt seen', false], second: 'Shunt seen' },
  tip_seen: { primary: ['Tip seen in varix', true], second: 'Tip not seen' },
  blood_return: { primary: ['Blood return seen', true], second: 'No blood return' },
  doppler_again: { primary: ['Flow still seen', true], second: 'Flow gone or reduced' },
  final_doppler: { primary: ['No flow in target', false], second: 'Flow still seen' },
  final_bleeding: { primary: ['No bleeding', false], second: 'Bleeding seen' },
};

const ticks: Record<string, string> = {
  identity: 'Identity confirmed',
  consent: 'Consent confirmed',
  allergies: 'Allergies read out',
  drugs_held: 'Drugs held as planned',
  airway: 'Airway decided',
  blood_available: 'Blood available',
  eye_protection: 'Eyes protected',
  kit_counted: 'Kit counted',
  gas_out: 'Gas is out',
  intramural: 'Varix in the wall',
  feeder: 'Feeder followed',
  axes: 'Axes measured',
  access: 'Access route chosen',
  time_out: 'All agreed',
  aliquot_ready: 'Aliquot ready',
  sheath_forward: 'Sheath is forward',
  out_together: 'Needle and scope out',
  tip_wiped: 'Tip wiped, needle removed',
  counts: 'Counts agree',
  implants_recorded: 'All coils recorded',
  orders: 'Orders given',
  leaflet: 'Leaflet given',
};

const moves: Record<Move, string> = {
  coil: 'Place a coil',
  another_coil: 'Another coil',
  adhesive: 'Inject adhesive',
  another_aliquot: 'Another aliquot',
  try_again: 'Flush and try again',
  another_puncture: 'Redirect: new puncture',
  next_target: 'Next target',
  withdraw: 'Withdraw the needle',
};

const media: Record<string, string> = {
  saline: 'saline',
  'sterile-water': 'sterile water',
  'dextrose-5': 'dextrose 5 %',
};

const agents: Record<string, string> = {
  '2-octyl-cyanoacrylate': '2-octyl cyanoacrylate',
  'n-butyl-2-cyanoacrylate': 'n-butyl cyanoacrylate',
};

/** Lots by what they are of; a soft remark names those left out. */
export const lotNames: Record<CountedItem, string> = {
  coil: 'Coil lot',
  needle: 'Needle lot',
  adhesive: 'Adhesive lot',
};

const events: Record<string, string> = {
  bleeding: 'Bleeding',
  embolism: 'Embolism',
  'needle-stuck': 'Needle stuck',
  airway: 'Airway',
  other: 'Other event',
};

export const procedure = {
  start: 'Start case',
  startTitle: 'Before you start',
  notFound: 'This case is not here yet.',
  otherLive: 'Another case is live here.',
  goToOther: 'Go to that case',
  setDownOther: 'Move it to Close-out',
  emergency: 'Identity to be confirmed.',
  emergencyGoOn: 'Confirm identity later',
  toPuncture: 'Straight to puncture',
  toPunctureNote: (count: number) => `${count} steps become "left out".`,
  closed: 'Closed. Entries show as later changes.',
  restored: (time: string, last: string) => `Restored ${time}, last saved ${last}`,
  nothingYet: 'Nothing recorded yet',
  undo: (what: string) => `Undo ${what}`,
  notDone: 'Not so',
  mediumFirst: 'Choose the flush medium first',
  recordWater: (amount: string) => `Record water ${amount}`,
  recordDistance: (length: string) => `Record distance ${length}`,
  recordStop: (length: string) => `Record stop ${length}`,
  recordCoil: (slot: number, loop: string) => `Record coil ${slot}: ${loop}`,
  openPackage: (loop: string) => `Package opened: ${loop}`,
  startInjection: (amount: string) => `Start injection ${amount}`,
  stopInjection: (amount: string) => `Stop: ${amount} given`,
  startFlush: (amount: string, medium: string) => `Start flush ${amount} ${medium}`,
  stopFlush: (amount: string) => `Stop: ${amount} flushed`,
  flushed: (words: string, amount: string) => `${words}, ${amount}`,
  secondFirst: 'A second person first',
  planFirst: 'Plan again, or say why',
  stopGate: 'Enter the stop again',
  factMissing: 'not entered',
  touchOnly: 'Answer by touch: the pedal waits.',
  skip: 'Skip',
  skipTitle: 'Skip: say why',
  steps: 'Other step',
  stepsTitle: 'Record another step',
  stepsNote: 'Out of order, as it happened.',
  backToStep: 'Back to step',
  event: 'Record event',
  eventTitle: 'What happened?',
  leave: 'Leave as it was',
  events,
  reasons: ['Emergency', 'Not needed', 'Not possible', 'Done before', 'Other, note later'],
  otherReason: 'Other, note later',
  whatNext: 'What comes next?',
  outOfOrder: 'Out of order',
  left: (count: number) => `${count} steps left out`,
  coil: 'Coil',
  needleLot: 'Needle lot',
  lot: 'Lot',
  lotUnknown: 'Lot unknown',
  lotExpired: (on: string) => `Expired ${on}`,
  lotExpires: (on: string) => `to ${on}`,
  chooseCoil: 'Choose the coil',
  otherCoil: 'Other coil',
  noStock: 'No coils in the unit list.',
  noCoilChosen: 'Choose the coil first',
  planned: 'planned',
  notAsPlanned: 'Differs from the plan.',
  discard: 'Not formed: discard it',
  noPackage: 'No package recorded. Choose the coil.',
  water: 'Water in',
  waterFirst: 'Enter the water first',
  distance: 'Measured distance',
  distanceFirst: 'Enter the distance first',
  stop: 'Needle stop',
  stopFirst: 'Enter the stop first',
  asPlanned: (words: string) => `As planned: ${words}`,
  stopStale: 'Distance differs: no planned stop.',
  /** One amount where there is no oil, else that of the mix. */
  injected: (oil: number | null) =>
    oil === 0 ? 'Adhesive (pure), no oil' : 'Mix (adhesive + oil)',
  flushAmount: 'Flush given',
  flushMedium: 'Flush medium',
  flushPatent: 'Flushed and patent',
  needleReady: 'Flushed, free of air',
  adhesiveLot: 'Adhesive lot',
  adhesiveFirst: 'Enter the mix first',
  flushFirst: 'Enter the flush first',
  otherAmount: 'Other amount given',
  notGiven: 'Not given',
  ratio: (pure: number, oil: number) =>
    oil === 0 ? 'No oil' : `1 part adhesive : ${partText(oil, pure)} oil`,
  ratioUnknown: 'Parts of adhesive and oil unknown.',
  agent: (agent: string | null) => (agent ? (agents[agent] ?? agent) : 'Adhesive not chosen'),
  licence: 'Use of this adhesive here may be outside its licence. Local protocol decides.',
  fromPlan: 'planned',
  fromDistance: 'starts at the distance',
  startWas: 'Start was 5\u00a0s ago',
  uncertain: 'Time uncertain',
  of: (planned: string) => `of ${planned}`,
  aboveSoft: (total: string, limit: string) =>
    `Adhesive (pure) would be ${total}, above ${limit}. Check before more.`,
  secondPersonWho: 'Who confirms?',
  secondPersonNone: 'Nobody else in the staff list',
  whoDecides: 'Who decides?',
  whoDecidesNone: 'The one who taps',
  /** What going on means, gate by gate. */
  goOn: {
    'HARD-03': 'go on with own plan',
    'HARD-04': 'two people confirm',
    'HARD-06': 'go on with own plan',
    'HARD-05': 'keep this stop',
    'BLOOD-RETURN': 'go on without blood return',
  } as Record<string, string>,
  goOnAnyway: 'go on with this reason',
  planAgain: 'Plan again',
  wasGiven: 'Was given: record it',
  wasSet: 'Was set so: record it',
  raisedBefore: 'Raised before in this case.',
  overrideTitle: 'Going on: say why',
  hold: (words: string) => `Hold 1 s: ${words}`,
  basis: (basis: string) => (basis ? `From ${basis}.` : ''),
  finished: 'All steps passed.',
  toCloseOut: 'Go to Close-out',
  tally: {
    coils: 'Coils',
    pure: 'Adhesive (pure)',
    mix: 'Mix (adhesive + oil)',
    pureNoOil: 'Adhesive (pure), no oil',
    flush: 'Flush',
    withoutAmount: (count: number) => `${count} × amount not entered`,
    punctures: 'Punctures',
    time: 'Since start',
    all: 'All targets',
    unknownParts: (words: string) => `${words} mix of unknown parts`,
  },
};

/** Parts of oil to one part of adhesive, to the nearest thousandth. */
function partText(oil: number, pure: number): string {
  const thousandths = Math.floor((2 * oil * 1_000 + pure) / (2 * pure));
  return `${milliText(thousandths)} ${thousandths > 1_000 ? 'parts' : 'part'}`;
}

/** Return what a step asks; that the time runs is said only once it does. */
export function askOf(step: Step, isTiming: boolean): string {
  return isTiming ? step.ask : step.ask.replace('; the time runs', '');
}

/** Return the words of the primary and the second answer of a yes-or-no step. */
export function yesNoWords(step: Step) {
  return yesNo[step.id] ?? { primary: ['Yes', true] as [string, boolean], second: 'No' };
}

export function tickWords(step: Step): string {
  return ticks[step.id] ?? `${step.title}: done`;
}

export function moveWords(move: Move): string {
  return moves[move];
}

export function mediumWords(medium: string): string {
  return media[medium] ?? medium;
}

/** Return a coil in words: its loop, and its name where that says more. */
export function coilWords(loopUm: unknown): string {
  return typeof loopUm === 'number' ? `${mmText(loopUm)} loop` : 'coil';
}

/** Return an act in words, for the list of last acts and the undo button. */
export function actWords(act: PassedAct, steps: readonly Step[]): string {
  const answers = (act.set.answers ?? {}) as Parts;
  if (act.set.step === OWN_PLAN_STEP) return 'Own plan, saved plan outdated';
  if (act.kind === 'complication') return events[String(act.set.what)] ?? String(act.set.what);
  if (act.count > 1) return `${act.count} steps left out`;
  const step = steps.find(({ id }) => id === act.set.step);
  if (step === undefined) {
    const move = act.set.move as Move | undefined;
    return move ? (moves[move] ?? move) : String(act.set.step ?? '');
  }
  if (act.set.outcome === 'skipped') return `${step.title}: skipped`;
  if (act.set.outcome === 'override') return `${step.title}: went on without`;
  const isDone = act.set.outcome === 'done';
  switch (step.takes) {
    case 'yes_no': {
      const words = yesNoWords(step);
      return words.primary[1] === isDone ? words.primary[0] : words.second;
    }
    case 'package':
      return isDone ? `Package: ${coilWords(answers.loop_um)}` : `${step.title}: not done`;
    case 'coil':
      return isDone
        ? `Coil ${answers.slot ?? ''}: ${coilWords(answers.loop_um)}`
        : `Not formed: ${coilWords(answers.loop_um)}`;
    case 'adhesive':
      return isDone && typeof answers.mix_ul === 'number'
        ? `Mix ${mlText(answers.mix_ul)}`
        : `${step.title}: not given`;
    case 'flush':
      return typeof answers.flush_ul === 'number'
        ? `Flush ${mlText(answers.flush_ul)}`
        : step.title;
    case 'length_um':
      return typeof answers.length_um === 'number'
        ? `${step.title}: ${mmText(answers.length_um)}`
        : step.title;
    case 'amount_ul':
      return typeof answers.amount_ul === 'number'
        ? `${step.title}: ${mlText(answers.amount_ul)}`
        : step.title;
    default:
      return isDone ? tickWords(step) : `${step.title}: not so`;
  }
}

/** Return how the undo button names an act: "coil 2", else its words. */
export function undoName(act: PassedAct, steps: readonly Step[]): string {
  const { slot } = (act.set.answers ?? {}) as Parts;
  if (act.set.step === 'coil_formed' && act.set.outcome === 'done' && slot) return `coil ${slot}`;
  const words = actWords(act, steps);
  return words.charAt(0).toLowerCase() + words.slice(1);
}

const facts: Record<string, string> = {
  consent: 'Consent',
  allergies: 'Allergies',
  drugs: 'Antithrombotic drugs',
  airway: 'Airway',
  shunt: 'Outflow shunt',
  right_to_left_shunt: 'Right-to-left shunt',
  needle: 'Needle',
  adhesive: 'Adhesive',
  targets: 'Targets',
  packages: 'Coils opened = placed + discarded',
};

const factContents: Record<string, string> = {
  yes: 'yes',
  no: 'no',
  none: 'none',
  present: 'present',
  unknown: 'unknown',
  'emergency-best-interest': 'emergency, best interest',
  'none-known': 'none known',
  'iodinated-oil': 'iodinated oil',
  intubation: 'intubation',
  'deep-sedation': 'deep sedation',
  'moderate-sedation': 'moderate sedation',
};

/** Return what a fact beside a step is about, in words. */
export function factName(about: string): string {
  return facts[about] ?? about;
}

/** Return what was entered, in words; what has no words of its own is shown as it is. */
export function factWords(entered: string): string {
  return factContents[entered] ?? agents[entered] ?? entered;
}
