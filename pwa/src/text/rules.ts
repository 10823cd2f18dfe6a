/** Sentences about the unit's rule files and about training. */

import { dayWords } from '../state/surveillance-dates';
import type { NotCounting, RuleFileLine } from '../state/unit-rules';
import { say, withMore, words } from './say';

const said = words('rules');

/** Return why a version does not count, "" where it does. */
function whyWords(why: NotCounting | null): string {
  switch (why?.because) {
    case 'retired':
      return say('rules.retired', { day: dayWords(why.on) });
    case 'approvals':
      return say('rules.approvals', { count: why.count, needed: why.needed });
    case 'no-endoscopist':
      return said.noEndoscopist;
    case 'not-yet':
      return say('rules.notYet', { day: dayWords(why.on) });
    case 'other-version':
      return say('rules.otherVersion', { version: why.version });
    default:
      return '';
  }
}

export const ruleFiles = withMore(said, {
  version: (version: number) => say('rules.version', { version }),
  standing: (standing: RuleFileLine['standing'], why: NotCounting | null) =>
    `${[said.standings[standing], whyWords(why)].filter((part) => part !== '').join(', ')}.`,
  approvedBy: (names: readonly string[]) =>
    names.length === 0 ? '' : say('rules.approvedBy', { names: names.join(', ') }),
});
