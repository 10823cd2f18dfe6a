/** What is no longer as it was when a plan was made: on screen, and as a gate records it. */
import type { Json } from '../ports';
import { mlText, mmText } from '../state/plan';
import type { PlanChange } from '../state/plan-changes';
import { numberWords } from './plan';
import { fieldWords, valueWords } from './record';
import { englishOf, lookUp, midSentence, say, sayAs, words } from './say';

const said = words('planChanges');
const keys = lookUp(said.keys);
type Key = keyof typeof said.keys;

/** Return a change in the language spoken now: "Varix A short axis: was 14 mm, now 16 mm". */
export function changeWords(change: PlanChange): string {
  switch (change.kind) {
    case 'conflict':
      return say('planChanges.conflict', { name: conflictName(change.field) });
    case 'lack':
      return say('planChanges.lack', { name: numberWords.lack(change.lack, change.label) });
    case 'other':
      return sayAs(...otherOf(change, sayAs, amountOr(valueWords)));
  }
}

/**
 * Return a change for a gate: in English whatever is spoken, because the gate's sentence and the
 * hash of its facts are kept in the record.
 */
export function changeRecorded(change: PlanChange): string {
  switch (change.kind) {
    case 'conflict':
      return englishOf('planChanges.conflict', { name: change.field });
    case 'lack': {
      const name = `${change.label} ${change.lack}`.trim();
      return englishOf('planChanges.lack', { name });
    }
    case 'other':
      return englishOf(...otherOf(change, englishOf, amountOr(String)));
  }
}

function otherOf(
  { part, name, key, was, is }: Extract<PlanChange, { kind: 'other' }>,
  told: typeof sayAs,
  wordsOf: (value: Json, key: string) => string,
): Parameters<typeof sayAs> {
  const isNamed = part === 'target' || part === 'case';
  const partName = isNamed ? name : told(`planChanges.parts.${part}`, { name });
  const keyName = key in keys ? told(`planChanges.keys.${key as Key}`) : key;
  const whole = [partName, key === '' ? '' : keyName].filter((one) => one !== '').join(' ');
  if (was === undefined) return ['planChanges.now', { name: whole, is: wordsOf(is ?? '', key) }];
  if (is === undefined) return ['planChanges.gone', { name: whole, was: wordsOf(was, key) }];
  return ['planChanges.other', { name: whole, was: wordsOf(was, key), is: wordsOf(is, key) }];
}

/** Lengths and amounts with their unit; other answers by the words of the caller. */
function amountOr(answerOf: (value: Json, key: string) => string) {
  return (value: Json, key: string): string => {
    if (typeof value === 'number' && key.endsWith('_um')) return mmText(value);
    if (typeof value === 'number' && key.endsWith('_ul')) return mlText(value);
    return answerOf(value, key);
  };
}

/** A field of the case, or of a target behind its label. */
function conflictName(field: string): string {
  const [, label = '', part = ''] = /^(?:(.*) )?(label|size|distance)$/.exec(field) ?? [];
  if (part === '') return fieldWords(field, 'case');
  return [label, midSentence(fieldWords(part, 'target'))].filter((one) => one !== '').join(' ');
}
