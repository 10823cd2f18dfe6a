/**
 * What a unit has said about a rule file: who approved it, from which day, and until when.
 * Twin of `rule_release.py`.
 */

export const APPROVERS_NEEDED = 2;
export type Standing = 'draft' | 'approved' | 'in force' | 'retired';

/** One person's word for the bytes whose SHA-256 it names. */
export interface Approval {
  readonly by: string;
  readonly name: string;
  readonly role: string;
  readonly sha256: string;
}

/** One version of a rule file, as the unit has released it. */
export interface Release {
  readonly name: string;
  readonly version: number;
  /** Of the bytes held here; an approval of other bytes does not count (RL3). */
  readonly sha256: string;
  /** Civil date, null while nobody has given one. */
  readonly inForceFrom: string | null;
  readonly retiredOn: string | null;
  readonly approvals: readonly Approval[];
}

/** Where a release stands on a day, and why it is not in force; empty where it is. */
export interface Judgement {
  readonly standing: Standing;
  readonly why: string;
}

/** Return one approval for each person who approved these very bytes, first ones first (RL3). */
export function listApprovers(release: Release): Approval[] {
  const found = new Map<string, Approval>();
  for (const approval of release.approvals) {
    if (approval.sha256 === release.sha256 && !found.has(approval.by)) {
      found.set(approval.by, approval);
    }
  }
  return [...found.values()];
}

/**
 * Return where a release stands on a civil date. Rules RL1-RL4.
 *
 * Two named people approve, one of them an endoscopist: common practice of local protocols, no
 * source.
 */
export function judgeRelease(release: Release, on: string): Judgement {
  if (release.retiredOn !== null && release.retiredOn <= on) {
    return { standing: 'retired', why: `it was retired on ${release.retiredOn}` };
  }
  const approvers = listApprovers(release);
  if (approvers.length < APPROVERS_NEEDED) {
    const why = `${approvers.length} of ${APPROVERS_NEEDED} people approved it`;
    return { standing: 'draft', why };
  }
  if (approvers.every((approver) => approver.role !== 'endoscopist')) {
    return { standing: 'draft', why: 'no endoscopist approved it' };
  }
  if (release.inForceFrom === null) {
    return { standing: 'approved', why: 'it has no day from which it is in force' };
  }
  if (release.inForceFrom > on) {
    return { standing: 'approved', why: `it comes into force on ${release.inForceFrom}` };
  }
  return { standing: 'in force', why: '' };
}
