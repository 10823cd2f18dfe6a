/** Every sentence of the Decisions screen: conflicts, double entries, alarms, devices, plans. */

import type { GapKind } from '../ports';
import type { Effect } from '../record-catalogue/conflict-effects';
import type { DoubleEntry } from '../record-catalogue/double-entries';
import type { Json } from '../state/shown';
import type { UnitQuestion, UntoldRow } from '../state/untold-by-unit.svelte';
import { valueWords } from './record';
import { type Choice, forRecord, reasons, say, withMore, words } from './say';
import { sayTold } from './told';

const said = words('decisions');

export const decisions = withMore(said, {
  effects: said.effects satisfies Record<Effect, string>,
  manyAnswers: (count: number) =>
    count === 2 ? said.twoAnswers : say('decisions.manyAnswers', { count }),
  twoAnswersOf: (field: string) => say('decisions.twoAnswersOf', { field }),
  by: (who: string, when: string) => say('decisions.by', { who, when }),
  onDevice: (device: string) => say('decisions.onDevice', { device }),
  alsoBy: (count: number) => say('decisions.alsoBy', { count }),
  openSince: (when: string, age: string) => say('decisions.openSince', { when, age }),
  /** Say whose it is to settle, and from a day on who sees to it (HAZ-32). */
  ownedBy: (who: string, isLate: boolean) =>
    say(isLate ? 'decisions.ownerLate' : 'decisions.owner', { who }),
});

const questions: Readonly<Record<UnitQuestion, string>> = said.questions;

/** Return what is not known, and why the unit could not be asked. */
export function untoldWords({ why, questions: asked }: UntoldRow): string {
  const what = asked.map((question) => questions[question]).join('; ');
  return say('decisions.untold', { why: sayTold(why), what });
}

/** What the record keeps of a reason is its id, which is English. */
const reason = (key: 'decisions.clinicalReason' | 'decisions.other', text: () => string) => ({
  id: forRecord(key),
  get words() {
    return text();
  },
});

/** Return the reasons to choose from; what a clinician measures can have been measured again. */
export function reasonsFor(holdsBack: readonly Effect[]): Choice[] {
  return [
    ...reasons('decisions.reasons', said.reasons),
    ...(holdsBack.includes('letter')
      ? [reason('decisions.clinicalReason', () => said.clinicalReason)]
      : []),
    reason('decisions.other', () => said.other),
  ];
}

/** Return a stretch of time as people say it: whole minutes, hours or days, never rounded up. */
export function ageWords(ms: number): string {
  const minutes = Math.floor(Math.max(0, ms) / 60_000);
  if (minutes < 1) return said.ages.now;
  if (minutes < 60) return say('decisions.ages.minutes', { count: minutes });
  if (minutes < 48 * 60) return say('decisions.ages.hours', { count: Math.floor(minutes / 60) });
  return say('decisions.ages.days', { count: Math.floor(minutes / 1_440) });
}

const doublesSaid = words('doubles');

/** Sentences about two records that may be one thing. */
export const doubleWords = withMore(doublesSaid, {
  titles: doublesSaid.titles satisfies Record<DoubleEntry['why'], string>,
  whys: doublesSaid.whys satisfies Record<DoubleEntry['why'], string>,
  reasons: reasons('doubles.reasons', doublesSaid.reasons),
  closeOut: (count: number) => say('doubles.closeOut', { count }),
  closeOutConflict: (count: number) => say('doubles.closeOutConflict', { count }),
});

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
    typeof set.slot === 'number' ? say('doubles.coil', { number: set.slot }) : '',
    typeof loopUm === 'number'
      ? say('doubles.loop', { length: valueWords(loopUm, 'loop_um') })
      : '',
    typeof mixUl === 'number' ? say('doubles.mix', { amount: valueWords(mixUl, 'mix_ul') }) : '',
    typeof lot === 'string' && lot !== '' ? say('doubles.lot', { lot }) : '',
    isLotUnknown === true ? doublesSaid.lotUnknown : '',
    typeof serial === 'string' && serial !== '' ? say('doubles.serial', { serial }) : '',
    typeof expiresOn === 'string' ? say('doubles.useBy', { day: valueWords(expiresOn) }) : '',
  ].filter((words) => words !== '');
}

const alarmsSaid = words('alarms');

/** Sentences about what could not be taken in, at the unit or on this device. */
export const alarmWords = withMore(alarmsSaid, {
  of: (id: string, when: string) =>
    when === '' ? say('alarms.entry', { id }) : say('alarms.entryCame', { id, when }),
  more: (count: number) => say('alarms.more', { count }),
  seeTo: (count: number) => say('alarms.seeTo', { count }),
  reasons: reasons('alarms.reasons', alarmsSaid.reasons),
  seenTitle: (count: number) => say('alarms.seenTitle', { count }),
  seenBy: (name: string, when: string, because: readonly string[]) =>
    [
      name === '' ? say('alarms.seen', { when }) : say('alarms.seenBy', { name, when }),
      ...because,
    ].join('. '),
});

/** Sentences about devices of the unit that have not exchanged for a day or longer (HAZ-35). */
export const silentWords = withMore(words('silent'), {
  silent: (name: string, age: string) => say('silent.silent', { name, age }),
  escalated: (name: string, age: string) => say('silent.escalated', { name, age }),
  last: (when: string) => say('silent.last', { when }),
  never: (when: string) => say('silent.never', { when }),
});

const gapsSaid = words('followUpCheck');

/** Sentences about patients without a next act; a kind of a newer unit has none of its own. */
export const gapWords = withMore(gapsSaid, {
  kinds: gapsSaid.kinds satisfies Record<GapKind, { why: string; what: string }>,
  due: (day: string) => say('followUpCheck.due', { day }),
  openNamed: (act: string, name: string) => say('followUpCheck.openNamed', { act, name }),
  none: (count: number, day: string) => say('followUpCheck.none', { count, day }),
  notDue: (count: number) => say('followUpCheck.notDue', { count }),
});

const plansSaid = words('planCheck');

/** Sentences about the second check, in which the unit's server computes each plan again. */
export const planCheckWords = withMore(plansSaid, {
  of: (labels: readonly string[]) => labels.join(', ') || plansSaid.noTarget,
  difference: (what: string, tablet: string, server: string) =>
    say('planCheck.difference', { what, tablet, server }),
  more: (count: number) => say('planCheck.more', { count }),
  agreed: (count: number) => say('planCheck.agreed', { count }),
  waiting: (count: number) => say('planCheck.waiting', { count }),
});
