/** What came to a unit from its network: what each role is shown of it, and in which order. Pure. */
import { GROUPS, type Group } from '../clinical-rules/implant-search';
import type { DeskRole } from '../desk-questions';
import type {
  IncomingLink,
  IncomingRecall,
  IncomingRuleFile,
  NetworkLine,
  RecallAct,
  RecalledImplant,
  RecalledLot,
  RuleFileAct,
} from '../network-here-questions';

export type NetworkPiece = 'line' | 'recalls' | 'links' | 'rule-files';

/**
 * Names of patients are for those who treat and for the data manager (SEC-24): the server tells the
 * unit administrator of recalls by counts alone.
 */
const PIECES: Readonly<Partial<Record<DeskRole, readonly NetworkPiece[]>>> = {
  'unit-admin': ['line', 'recalls'],
  'data-manager': ['line', 'recalls', 'links', 'rule-files'],
  endoscopist: ['recalls', 'links', 'rule-files'],
  anaesthetist: ['rule-files'],
  assistant: ['recalls'],
};

/** Who answers the network for this unit; the server decides by its own table all the same. */
const ANSWERS: Readonly<Partial<Record<NetworkPiece, readonly DeskRole[]>>> = {
  recalls: ['data-manager', 'endoscopist', 'unit-admin'],
  // A clinician's word counts as one of the two that a link needs.
  links: ['endoscopist'],
  'rule-files': ['data-manager', 'endoscopist', 'anaesthetist'],
};

/** Whoever closes a notice says that each patient was looked into, and has to see who they are. */
const CLOSES: readonly DeskRole[] = ['data-manager', 'endoscopist'];

/** Say whether a role closes a notice; the server decides by its own table all the same. */
export function mayClose(role: DeskRole): boolean {
  return CLOSES.includes(role);
}

/** Say whether a role answers the network, or reads only. */
export function mayAnswer(role: DeskRole, piece: NetworkPiece): boolean {
  return ANSWERS[piece]?.includes(role) === true;
}

/** Return what of the network a role is shown at its unit. */
export function piecesOf(role: DeskRole): readonly NetworkPiece[] {
  return PIECES[role] ?? [];
}

const ANSWER_RANK: Readonly<Record<IncomingRecall['answer'], number>> = {
  none: 0,
  'not-heeded': 0,
  acknowledged: 1,
  searched: 1,
  closed: 2,
};

/** Return the notices, those first that nobody has acknowledged; the withdrawn last. */
export function orderNotices(notices: readonly IncomingRecall[]): IncomingRecall[] {
  const rank = (one: IncomingRecall) => {
    if (one.state === 'withdrawn') return 3;
    return isNotHeeded(one) ? 0 : ANSWER_RANK[one.answer];
  };
  return [...notices].sort(
    (one, other) => rank(one) - rank(other) || (one.issued_on < other.issued_on ? 1 : -1),
  );
}

/** What may be done with a notice now: "" where it is closed, or withdrawn. */
export function dueAct(notice: IncomingRecall): '' | RecallAct {
  const { state, answer } = notice;
  if (state === 'withdrawn') return '';
  if (isNotHeeded(notice)) return 'heed';
  if (answer === 'closed') return '';
  return answer === 'none' || answer === 'not-heeded' ? 'acknowledge' : 'close';
}

/** Say whether people here took a notice in force out of force, so that no tablet stops a device. */
export function isNotHeeded({ state, is_withdrawn_here: isHere }: IncomingRecall): boolean {
  return state === 'in-force' && isHere === true;
}

/** Say whether a lot on the shelf is the one that is recalled, as far as its label can be told. */
export function isRecalled({ group }: RecalledLot): boolean {
  return group === 'same' || group === 'alike';
}

/** What a notice finds in one group, this lot before those that are near or not known. */
export interface RecalledGroup {
  group: Group;
  patients: readonly RecalledPatient[];
}

/** Return what a notice finds, group by group, each patient by patient; empty groups left out. */
export function byGroup(rows: readonly RecalledImplant[]): RecalledGroup[] {
  return GROUPS.map((group) => ({
    group,
    patients: byPatient(rows.filter((row) => row.group === group)),
  })).filter(({ patients }) => patients.length > 0);
}

/** The implants of one patient that a notice finds. */
export interface RecalledPatient {
  key: string;
  name: string;
  number: string;
  bornOn: string;
  implants: readonly RecalledImplant[];
}

/** Return what a notice finds, patient by patient, in the order told. */
export function byPatient(rows: readonly RecalledImplant[]): RecalledPatient[] {
  const found = new Map<string, RecalledImplant[]>();
  for (const row of rows) {
    const key = JSON.stringify([row.number, row.name, row.born_on, row.number ? '' : row.case]);
    found.set(key, [...(found.get(key) ?? []), row]);
  }
  return [...found].map(([key, implants]) => {
    const [first] = implants as [RecalledImplant];
    return { key, name: first.name, number: first.number, bornOn: first.born_on, implants };
  });
}

/** Say whether a notice found somebody whom the server does not name to whoever looks. */
export function hidesNames({ found, rows }: IncomingRecall): boolean {
  return found !== null && rows.length === 0 && found.patients + found.unknown_lots > 0;
}

/** Return the proposals that nobody here has answered first, then the others. */
export function orderProposals(proposals: readonly IncomingLink[]): IncomingLink[] {
  const isOpen = (one: IncomingLink) => Number(one.answer === '' && one.state === 'proposed');
  return [...proposals].sort(
    (one, other) =>
      isOpen(other) - isOpen(one) || other.probability_per_mille - one.probability_per_mille,
  );
}

/** Say whether a version that the network withdrew counts here, or waits to be approved. */
export function isWithdrawnAndHeld({ is_withdrawn: is, here = '' }: IncomingRuleFile): boolean {
  return is === true && ['draft', 'approved', 'in force'].includes(here);
}

/** Return what may be done with a proposed rule file now, what comes first before the rest. */
export function fileActs({
  standing,
  is_withdrawn: isWithdrawn,
  here = '',
}: IncomingRuleFile): readonly RuleFileAct[] {
  if (standing === 'new') return ['take', 'set-aside'];
  if (here === 'draft' && isWithdrawn !== true) return ['approve'];
  return here === 'approved' || here === 'in force' ? ['retire'] : [];
}

/**
 * Return the rule files that the network withdrew and that stand here first, then those that nobody
 * has decided about, then the newest.
 */
export function orderFiles(proposals: readonly IncomingRuleFile[]): IncomingRuleFile[] {
  const rank = (one: IncomingRuleFile) =>
    2 * Number(isWithdrawnAndHeld(one)) + Number(one.standing === 'new');
  return [...proposals].sort(
    (one, other) => rank(other) - rank(one) || (other.came_ms ?? 0) - (one.came_ms ?? 0),
  );
}

/** Return six digits in two groups, as they are read out. */
export function groupedDigits({ digits }: NetworkLine): string {
  return digits.length === 6 ? `${digits.slice(0, 3)} ${digits.slice(3)}` : digits;
}
