/** Sentences of what came to a unit from its network, at the unit desk. */
import type {
  IncomingLink,
  IncomingRecall,
  IncomingRuleFile,
  NetworkLine,
  RecalledImplant,
  RecalledLot,
} from '../network-here-questions';
import { instantWords } from '../state/decisions-time';
import { isRecalled } from '../state/from-network';
import { dayWords } from '../state/surveillance-dates';
import { ageWords } from './decisions';
import { implants, labelLine, whatWords, whoWords } from './implants';
import { choices, reasons, retell, say, sayAs, withMore, words } from './say';

const said = words('fromNetwork');

export const fromNetwork = withMore(said, {
  linkAnswers: choices(said.linkAnswers),
  /** Why each act is done with a proposed rule file. */
  fileReasons: {
    take: reasons('fromNetwork.takeReasons', said.takeReasons),
    'set-aside': reasons('fromNetwork.asideReasons', said.asideReasons),
    approve: reasons('fromNetwork.approveReasons', said.approveReasons),
    retire: reasons('fromNetwork.retireReasons', said.retireReasons),
  },
  alsoAt: (unit: string) => say('fromNetwork.alsoAt', { unit }),
  refusedCount: (count: number) => say('fromNetwork.refusedCount', { count }),
  found: (found: NonNullable<IncomingRecall['found']>) =>
    say('fromNetwork.found', {
      patients: found.patients,
      surely: String(found.surely),
      unknown: found.unknown_lots,
      shelf: found.on_shelf,
    }),
});

/** Return how the line to the hub stands, each fact with its name. */
export function lineFacts(line: NetworkLine, nowMs: number): [string, string][] {
  const next = line.next_try_ms;
  const isBehind = line.last_try_ms !== null && line.last_try_ms !== line.last_contact_ms;
  return [
    [said.facts.hub, [line.hub_name, line.hub].filter((part) => part !== '').join(', ')],
    [said.facts.name, line.unit_name],
    [said.facts.contact, instantWords(line.last_contact_ms) || said.noContact],
    [said.facts.tried, isBehind ? instantWords(line.last_try_ms) : ''],
    [said.facts.next, next === null ? '' : nextWords(next - nowMs)],
    [
      said.facts.unsent,
      line.unsent === null ? '' : say('network.units.unsent', { count: line.unsent }),
    ],
  ].filter((fact): fact is [string, string] => fact[1] !== '');
}

function nextWords(inMs: number): string {
  return inMs < 60_000 ? said.soon : say('fromNetwork.inTime', { age: ageWords(inMs) });
}

/** Return how far this unit is with a notice. */
export function noticeStanding(notice: IncomingRecall): string {
  const day = dayWords(notice.issued_on);
  if (notice.state === 'withdrawn') return say('fromNetwork.withdrawn', { day });
  const when = instantWords(notice.answered_ms);
  return sayAs(`fromNetwork.standing.${notice.answer}`, { day, when });
}

/** Return one implant that a notice finds: its kind, label and day. */
export function recalledWords(one: RecalledImplant): string {
  const kind = one.record.slice(0, one.record.indexOf('/'));
  const label = { lot: one.lot, serial: one.serial, identifier: '', expiresOn: one.expires_on };
  return [
    whatWords({ kind, item: one.item, fate: one.fate }),
    labelLine(label),
    one.on_day === '' ? '' : dayWords(one.on_day),
  ]
    .filter((part) => part !== '')
    .join(' · ');
}

/** Return one lot on the shelf: what it is, its label, and how many lie there. */
export function shelfWords(found: RecalledLot): string {
  const { name, lot, expires_on: expiresOn, count, group } = found;
  const label = labelLine({ lot, serial: '', identifier: '', expiresOn });
  const what = [implants.groups[group], name, label].join(' · ');
  const values = { what, count: String(count) };
  return isRecalled(found)
    ? say('fromNetwork.onShelf', values)
    : say('fromNetwork.nearOnShelf', values);
}

/** Return who a proposal is about, as this unit knows the patient. */
export function ownWords({ own }: IncomingLink): string {
  if (own === null) return said.notHere;
  const { name, number, born_on: bornOn } = own;
  return whoWords({ name, number, bornOn });
}

/** Return how a proposal stands. */
export function proposalStanding(one: IncomingLink): string {
  if (one.state !== 'proposed') return said.proposal[one.state];
  if (one.answer === '') return one.is_asked_anew ? said.proposal.askedAnew : said.proposal.open;
  return say('fromNetwork.proposal.answered', { when: instantWords(one.answered_ms) });
}

const PLACES = {
  '': 'none',
  draft: 'draft',
  approved: 'approved',
  'in force': 'in-force',
  retired: 'none',
} as const;

/** Return that the network withdrew a version, why, and what that means here; "" where it did not. */
export function withdrawnWords(one: IncomingRuleFile): string {
  if (one.is_withdrawn !== true) return '';
  const why = retell(one.withdrawn_because ?? '').replace(/\.$/, '');
  return sayAs(`fromNetwork.fileWithdrawn.${PLACES[one.here ?? '']}`, { why });
}

/** Return how a proposed rule file stands. */
export function fileStanding({ standing, here = '' }: IncomingRuleFile): string {
  if (standing !== 'taken' || here === '') return said.file[standing];
  return said.fileHere[here === 'in force' ? 'in-force' : here];
}
