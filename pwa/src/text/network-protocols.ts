/** Every sentence of the rule files of a network; the unit desk borrows what a version changes. */
import type {
  ComparedWith,
  CountingVersion,
  RuleFileAtUnit,
  RuleVersion,
  SentRuleFile,
} from '../network-rule-questions';
import { instantWords } from '../state/decisions-time';
import { isStillHeld, lackingOf, standsAt } from '../state/network-protocols.svelte';
import { dayWords } from '../state/surveillance-dates';
import { people } from './entry';
import { ruleFiles } from './rules';
import { inEnglish, lookUp, reasons, retell, say, sayAs, withMore, words } from './say';

const said = words('networkProtocols');

export const networkProtocols = withMore(said, {
  versionOf: (file: string, version: number) =>
    say('networkProtocols.versionOf', { file, version: String(version) }),
  sentBy: (name: string, when: string) => say('networkProtocols.sentBy', { name, when }),
  withdrawnBy: (when: string, why: string) =>
    say('networkProtocols.withdrawnBy', { when, why: retell(why) }),
  sum: (counts: { all: number; came: number; taken: number; aside: number }) =>
    say('networkProtocols.sum', {
      ...counts,
      all: String(counts.all),
      came: String(counts.came),
    }),
  stillCounts: (count: number) => say('networkProtocols.stillCounts', { count }),
  changes: (version: number) => say('networkProtocols.changes', { version: String(version) }),
  send: (file: string, version: number) =>
    say('networkProtocols.send', { file, version: String(version) }),
  approve: (file: string, version: number) =>
    say('networkProtocols.approve', { file, version: String(version) }),
  lay: (file: string, version: number) =>
    say('networkProtocols.lay', { file, version: String(version) }),
  laid: (file: string, version: number) =>
    say('networkProtocols.laid', { file, version: String(version) }),
  faults: (count: number) => say('networkProtocols.faults', { count }),
  program: (count: number) => say('networkProtocols.program', { count }),
  sendReasons: reasons('networkProtocols.sendReasons', said.sendReasons),
  withdrawReasons: reasons('networkProtocols.withdrawReasons', said.withdrawReasons),
});

/** Return what a version is compared with. */
export function againstWords({
  version,
  standing,
  is_withdrawn: isWithdrawn,
}: ComparedWith): string {
  const key = standing === 'in force' ? 'in-force' : standing;
  const against = sayAs(`networkProtocols.against.${key}`, { version: String(version) });
  return isWithdrawn ? `${against} ${said.againstWithdrawn}` : against;
}

/** Return which version a text was begun with. */
export function begunWords({ version, standing }: ComparedWith): string {
  const key = standing === 'in force' ? 'in-force' : standing;
  return sayAs(`networkProtocols.begunWith.${key}`, { version: String(version) });
}

/** Return a version as it is chosen: its number, how it stands, whether it was sent. */
export function versionWords(one: RuleVersion): string {
  const standings = lookUp(ruleFiles.standings);
  const standing = standings[one.standing] ?? inEnglish(one.standing);
  const values = { version: String(one.version), standing };
  // A draft is what somebody here laid down; the program's own nobody has to decide about here.
  if (!one.is_own && one.standing === 'draft') {
    return say('networkProtocols.versionOfProgram', { version: String(one.version) });
  }
  if (one.is_withdrawn) return say('networkProtocols.versionWithdrawn', values);
  return one.is_sent
    ? say('networkProtocols.versionSent', values)
    : say('networkProtocols.version', values);
}

/** Return who approved a version and who still has to; "" of one that comes with the program. */
export function approvalWords(one: RuleVersion): string {
  if (!one.is_own || one.standing === 'retired') return '';
  const names = one.approvers
    .map(({ name, role }) => `${name} (${people.roles[role] ?? inEnglish(role)})`)
    .join(', ');
  const lacking = lackingOf(one);
  return [
    names === '' ? '' : say('networkProtocols.approvedBy', { names }),
    lacking === '' ? '' : said.lacking[lacking],
  ]
    .filter((part) => part !== '')
    .join(' ');
}

/** Return what became of a version at a unit, since when as far as it tells. */
export function arrivalWords(sent: SentRuleFile, one: RuleFileAtUnit): string {
  const stands = standsAt(one);
  const values = {
    when: instantWords(one.answered_ms ?? one.came_ms),
    day: one.since_on === '' ? '' : dayWords(one.since_on),
  };
  return sent.is_withdrawn && isStillHeld(stands)
    ? sayAs(`networkProtocols.withdrawnAt.${stands}`, values)
    : sayAs(`networkProtocols.arrival.${stands}`, values);
}

/** Return which version counts at a unit, and by how old a report. */
export function countingWords({ version, is_training, reported_ms }: CountingVersion): string {
  if (reported_ms === null) return said.counting.notTold;
  const when = instantWords(reported_ms);
  if (version === null) return say('networkProtocols.counting.none', { when });
  const key = is_training === true ? 'training' : 'version';
  return sayAs(`networkProtocols.counting.${key}`, { version: String(version), when });
}
