/** Every sentence of the Decisions screen, and plain words for fields and what they hold. */

import type { Effect } from '../record-catalogue/conflict-effects';
import type { DoubleEntry } from '../record-catalogue/double-entries';
import type { Json } from '../state/shown';
import { dayWords } from '../state/surveillance-dates';

export const decisions = {
  title: 'Decisions',
  none: 'No open decision. Where two people wrote different things, both appear here.',
  lead: 'Nothing written is lost. Choose what holds, then say why.',
  twoAnswers: 'Two answers. Choose one.',
  manyAnswers: (count: number) => `${count} answers. Choose one.`,
  by: 'by',
  onDevice: 'on device',
  thisDevice: 'this device',
  alsoBy: (count: number) => `written ${count} times`,
  use: 'Use this one',
  why: 'Why this one?',
  reasons: ['Asked the patient', 'Checked the chart', 'The other is a slip'],
  clinicalReason: 'Measured again',
  other: 'Other, note later',
  leave: 'Leave it open',
  settled: 'Settled. Both stay in the history.',
  effects: {
    identity: 'Check who this is before treatment.',
    plan: 'Holds back plan and injection steps.',
    counts: 'The counts at close-out wait for it.',
    letter: 'Marked on report and letter.',
    booking: 'Holds back booking.',
  } satisfies Record<Effect, string>,
  openSince: (when: string, age: string) => `Open since ${when} (${age}).`,
};

/** Return the reasons to choose from; what a clinician measures can have been measured again. */
export function reasonsFor(holdsBack: readonly Effect[]): string[] {
  return [
    ...decisions.reasons,
    ...(holdsBack.includes('letter') ? [decisions.clinicalReason] : []),
    decisions.other,
  ];
}

/** Sentences about two records that may be one thing. */
export const doubleWords = {
  titles: {
    'same-label': 'One coil in two entries?',
    'same-slot': 'One coil in two entries?',
    'same-aliquot': 'One injection in two entries?',
    'both-struck': 'Both entries were struck',
  } satisfies Record<DoubleEntry['why'], string>,
  whys: {
    'same-label': 'Both labels give the same serial.',
    'same-slot': 'Same target and coil number, at most two minutes apart.',
    'same-aliquot': 'Same target, puncture and aliquot, at most two minutes apart.',
    'both-struck': 'Two people struck one entry each. Nothing counts now: put one back.',
  } satisfies Record<DoubleEntry['why'], string>,
  bothCount: 'Both count until somebody decides.',
  keep: 'The same. Keep this entry',
  putBack: 'Put this entry back',
  two: 'Two of them. Keep both',
  why: 'How do you know?',
  reasons: [
    'Counted the packages',
    'Asked who recorded it',
    'Seen on the image',
    'Other, note later',
  ],
  closeOut: (count: number) =>
    count === 1
      ? 'Possible double entry: decide. Until then both count.'
      : `${count} possible double entries: decide. Until then all count.`,
  closeOutLost: 'Two entries of one thing were both struck: decide which one is put back.',
  closeOutConflict: (count: number) =>
    count === 1
      ? 'One package has two answers: decide.'
      : `${count} answers about packages differ: decide.`,
  open: 'Open Decisions',
};

/** Sentences about what could not be taken in, at the unit or on this device. */
export const alarmWords = {
  title: 'Not taken in',
  lead: 'These entries are kept aside and count for nothing. Tell the data manager, then mark them as seen to.',
  kinds: {
    fork: 'Two versions of one entry.',
    'set-aside': 'Set aside.',
    damaged: 'Damaged at the unit.',
  },
  of: (opId: string, when: string) =>
    when === '' ? `Entry ${opId}` : `Entry ${opId}, came ${when}`,
  more: (count: number) => `and ${count} more`,
  seeTo: (count: number) => (count === 1 ? 'Seen to' : `All ${count} seen to`),
  why: 'What was done?',
  reasons: [
    'Told the data manager',
    'Second device found',
    'Entered again by hand',
    'Not needed, note later',
  ],
  atTheBedside: 'A bedside device marks this as seen to.',
  seenTitle: (count: number) => `Seen to: ${count}`,
  seenBy: (name: string, when: string, because: readonly string[]) =>
    [`Seen to${name === '' ? '' : ` by ${name}`}, ${when}`, ...because].join('. '),
  notTold: (sentence: string) => `The unit was not asked what it set aside. ${sentence}`,
};

/** Sentences about devices of the unit that have not exchanged for a day or longer (HAZ-35). */
export const silentWords = {
  title: 'Devices not heard of',
  lead: 'What they hold may be missing here. Find each one and connect it.',
  silent: (name: string, age: string) => `${name}: silent for ${age}.`,
  escalated: (name: string, age: string) => `${name}: silent for ${age}. Tell the unit lead.`,
  last: (when: string) => `Last exchange ${when}.`,
  never: (when: string) => `Joined ${when}, no exchange since.`,
  notTold: (sentence: string) => `No answer about the devices of the unit. ${sentence}`,
};

/** Return one of both entries in plain words, part by part. */
export function sideWords(set: { readonly [field: string]: Json }): string[] {
  const part = (field: string) => {
    const held = set[field];
    return typeof held === 'object' && held !== null && !Array.isArray(held)
      ? (held as Record<string, Json>)
      : {};
  };
  const { lot, lot_unknown: isLotUnknown, serial, expires_on: expiresOn } = part('device');
  const { loop_um: loopUm } = part('coil');
  const { mix_ul: mixUl } = part('amount');
  return [
    typeof set.slot === 'number' ? `Coil ${set.slot}` : '',
    typeof loopUm === 'number' ? `${valueWords(loopUm, 'loop_um')} loop` : '',
    typeof mixUl === 'number' ? `Mix ${valueWords(mixUl, 'mix_ul')}` : '',
    typeof lot === 'string' && lot !== '' ? `lot ${lot}` : '',
    isLotUnknown === true ? 'lot unknown' : '',
    typeof serial === 'string' && serial !== '' ? `serial ${serial}` : '',
    typeof expiresOn === 'string' ? `use by ${valueWords(expiresOn)}` : '',
  ].filter((words) => words !== '');
}

/** Return a stretch of time as people say it: whole minutes, hours or days, never rounded up. */
export function ageWords(ms: number): string {
  const minutes = Math.floor(Math.max(0, ms) / 60_000);
  const say = (count: number, unit: string) => `${count} ${unit}${count === 1 ? '' : 's'}`;
  if (minutes < 1) return 'just now';
  if (minutes < 60) return say(minutes, 'minute');
  if (minutes < 48 * 60) return say(Math.floor(minutes / 60), 'hour');
  return say(Math.floor(minutes / 1_440), 'day');
}

/** Sentences about the second check, in which the unit's server computes each plan again. */
export const planCheckWords = {
  title: 'Plans that differ',
  lead: 'The unit computed these plans again by the same rule files. Do not use their numbers until somebody has compared them. Plan again, and tell the data manager.',
  differs: 'The unit gets other numbers.',
  cannot: 'Cannot be checked.',
  of: (labels: readonly string[]) => labels.join(', ') || 'No target named',
  difference: (what: string, tablet: string, server: string) =>
    `${what}: tablet ${tablet}, server ${server}`,
  more: (count: number) => `and ${count} more`,
  open: 'Open the plan',
  agreed: (count: number) =>
    count === 1 ? 'Second check: 1 plan agrees.' : `Second check: ${count} plans agree.`,
  waiting: (count: number) =>
    count === 1 ? '1 case waits for its second check.' : `${count} cases wait for their check.`,
  notTold: (sentence: string) => `Plans were not checked a second time just now. ${sentence}`,
};

const FIELDS: Record<string, string> = {
  family_name: 'Family name',
  given_name: 'Given name',
  born_on: 'Born on',
  sex: 'Sex',
  local_id: 'Local number',
  phone: 'Phone',
  phone_note: 'Note on calling',
  needs: 'Needs',
  identity: 'Identity',
  procedure_on: 'Procedure date',
  varix_class: 'Varix class',
  past_bleeds: 'Past bleeds',
  on_beta_blocker: 'On beta-blocker',
  transplant_listed: 'Listed for transplant',
  adhesive: 'Adhesive',
  coil: 'Coil',
  needle: 'Needle',
  size: 'Size',
  distance: 'Distances from the needle tip',
  window: 'Window',
  booking: 'Booking',
  owner_role: 'Owner',
  plan_visit: 'Planned visit',
  rule_file: 'Rule file',
  ended_because: 'Ended because',
  doppler_flow: 'Doppler flow',
  obliterated: 'Varix obliterated',
  retreated: 'Treated again',
  amount: 'Amount',
  device: 'Device label',
  verdict: 'One or two of them',
  fate: 'What became of the package',
  short_axis_um: 'Short axis',
  long_axis_um: 'Long axis',
  result: 'Result',
  on: 'Day',
  at: 'Time',
  held: 'Session',
};

/** Return a field's name in plain words. */
export function fieldWords(field: string): string {
  const known = FIELDS[field];
  if (known !== undefined) return known;
  const plain = field.replace(/_(um|ul|ms|milli|mmhg|bpm|on|at|g)$/, '').replaceAll('_', ' ');
  return plain.charAt(0).toUpperCase() + plain.slice(1);
}

/** Thousandths as `0.5`, `5`. */
function thousandths(number: number): string {
  const whole = Math.trunc(number / 1000);
  const fraction = String(Math.abs(number % 1000))
    .padStart(3, '0')
    .replace(/0+$/, '');
  return fraction === '' ? String(whole) : `${whole}.${fraction}`;
}

const PARTS: Record<string, string> = {
  mix_ul: 'Mix (adhesive + oil)',
  planned_ul: 'Adhesive (pure), planned',
  flush_ul: 'Flush',
  prime_ul: 'Needle prime',
  parts_adhesive: 'parts adhesive',
  parts_oil: 'parts oil',
  earliest_on: 'from',
  target_on: 'target',
  latest_on: 'until',
};

/** Return what a field holds in plain words, units beside digits. */
export function valueWords(value: Json | undefined, field = ''): string {
  if (value === undefined || value === null) return 'nothing';
  if (typeof value === 'boolean') return value ? 'yes' : 'no';
  if (typeof value === 'number') {
    if (field.endsWith('_um')) return `${thousandths(value)} mm`;
    if (field.endsWith('_ul')) return `${thousandths(value)} mL`;
    if (field.endsWith('_ms')) return `${thousandths(value)} s`;
    if (field.endsWith('_milli')) return thousandths(value);
    if (field.endsWith('_g')) return `${thousandths(value)} kg`;
    if (field.endsWith('_mmhg')) return `${value} mmHg`;
    if (field.endsWith('_bpm')) return `${value} /min`;
    return String(value);
  }
  if (typeof value === 'string') {
    if (/^\d{4}-\d{2}-\d{2}$/.test(value)) return dayWords(value);
    if (/^\d{4}-\d{2}-\d{2}T/.test(value)) {
      return `${dayWords(value.slice(0, 10))}, ${value.slice(11, 16)}`;
    }
    return value === '' ? 'nothing' : value;
  }
  if (Array.isArray(value)) {
    return value.length === 0 ? 'none' : value.map((one) => valueWords(one as Json)).join(', ');
  }
  return Object.entries(value as Record<string, Json>)
    .filter(([, part]) => part !== null && part !== '')
    .map(
      ([part, held]) =>
        `${PARTS[part] ?? fieldWords(part).toLowerCase()}: ${valueWords(held, part)}`,
    )
    .join(' · ');
}
