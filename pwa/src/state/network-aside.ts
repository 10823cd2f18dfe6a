/** What lies aside at a hub that was put back, and what its people have to do again. Pure. */
import type { AsideWord, NetworkAside } from '../network-questions';

/** Which sentence says what to do again. */
export type AgainKey =
  | 'recallWithdrawn'
  | 'recallOther'
  | 'fileWithdrawn'
  | 'fileOther'
  | 'linkParted'
  | 'linkOther';

/** Return what is to be done again: what stands by mistake is told apart from what is missing. */
export function againKey({ kind, act }: Pick<AsideWord, 'kind' | 'act'>): AgainKey {
  if (kind === 'recall') return act === 'withdrawn' ? 'recallWithdrawn' : 'recallOther';
  if (kind === 'rule-file') return act === 'withdrawn' ? 'fileWithdrawn' : 'fileOther';
  return act === 'parted' || act === 'parting' ? 'linkParted' : 'linkOther';
}

/** Say whether something stands in force here that people had ended. */
export function standsByMistake(word: Pick<AsideWord, 'kind' | 'act'>): boolean {
  return !againKey(word).endsWith('Other');
}

/** Return what stands by mistake first, recalls before all; then the newest. */
export function orderAside(words: readonly AsideWord[]): AsideWord[] {
  const rank = (word: AsideWord) =>
    2 * Number(!standsByMistake(word)) + Number(word.kind !== 'recall');
  return [...words].sort((one, other) => rank(one) - rank(other) || other.at_ms - one.at_ms);
}

/** Say whether there is anything to tell: of a hub that was never put back and is sound, nothing. */
export function tellsAside(told: NetworkAside): boolean {
  return told.is_open || told.words.length > 0 || countOthers(told) > 0;
}

/** Return how much else is not sound. */
export function countOthers({ of_units: units, forks, damaged, waiting }: NetworkAside): number {
  return units + forks + damaged + waiting;
}
