/** Sentences of what lies aside at a hub that was put back. */
import type { AsideWord, NetworkAside } from '../network-questions';
import { instantWords } from '../state/decisions-time';
import { dayWords } from '../state/surveillance-dates';
import { namedWords } from './network';
import { retell, say, withMore, words } from './say';

const said = words('networkAside');

export const networkAside = withMore(said, {
  putBack: (when: string) => say('networkAside.putBack', { when }),
  toDo: (count: number) => say('networkAside.toDo', { count }),
  more: (count: number) => say('networkAside.more', { count }),
});

/** Return what an act was about, in one line. */
export function asideHeads(word: AsideWord): string {
  if (word.kind === 'recall') {
    const named = namedWords(word.item, word.criteria);
    return word.issued_on === '' ? named : `${named} · ${dayWords(word.issued_on)}`;
  }
  if (word.kind === 'rule-file') {
    return word.file === ''
      ? said.someFile
      : say('networkAside.file', { name: word.file, version: String(word.version) });
  }
  const [one, other] = word.unit_names;
  return one === undefined || other === undefined
    ? said.somePair
    : say('networkAside.pair', { one, other });
}

/** Return what was done, by whom and when, and why. */
export function asideWords({ act, by_name: name, at_ms: atMs, because }: AsideWord): string {
  const by = name || said.somebody;
  const done = say('networkAside.done', { did: said.did[act], by, when: instantWords(atMs) });
  return because === '' ? done : `${done} (${retell(because)})`;
}

/** Return what else is not sound at the hub, each in a sentence. */
export function otherWords(told: NetworkAside): string[] {
  return (
    [
      ['ofUnits', told.of_units],
      ['forks', told.forks],
      ['damaged', told.damaged],
      ['waiting', told.waiting],
    ] as const
  )
    .filter(([, count]) => count > 0)
    .map(([key, count]) => say(`networkAside.others.${key}`, { count }));
}
