/** Sentences about the unit's rule files and about training. */
import { say, withMore, words } from './say';

export const ruleFiles = withMore(words('rules'), {
  version: (version: number) => say('rules.version', { version }),
  approvedBy: (names: readonly string[]) =>
    names.length === 0 ? '' : say('rules.approvedBy', { names: names.join(', ') }),
});
