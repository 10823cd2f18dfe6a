/**
 * What a unit has said about a rule file: who approved it, from which day, and until when.
 * Twin of `rule_release.py`.
 */

export const APPROVERS_NEEDED = 2;
export type Standing = 'draft' | 'approved' | 'in force' | 'retired';

/** One person's word for the bytes whose SHA-256 it names, to count from a civil date. */
export interface Approval {
  readonly by: string;
  readonly name: string;
  readonly role: string;
  readonly sha256: string;
  readonly fromOn: string;
}

/** One version of a rule file, as the unit has released it. */
export interface Release {
  readonly name: string;
  readonly version: number;
  /** Of the bytes held here; an approval of other bytes does not count (RL3). */
  readonly sha256: string;
  /** Civil date, null while nobody has retired it. */
  readonly retiredOn: string | null;
  readonly approvals: readonly Approval[];
}

/** Where a release stands on a day, and why it is not in force; empty where it is. */
export interface Judgement {
  readonly standing: Standing;
  readonly why: string;
}

/**
 * Return one approval for each person who approved these very bytes, by day, then as given (RL3).
 *
 * One name counts once: the same person may stand twice in the list of staff.
 */
export function listApprovers(release: Release): Approval[] {
  const found = new Map<string, Approval>();
  const byDay = [...release.approvals].sort((one, other) =>
    one.fromOn < other.fromOn ? -1 : one.fromOn > other.fromOn ? 1 : 0,
  );
  for (const approval of byDay) {
    const isKnown = [...found.values()].some((one) => one.by === approval.by);
    const name = approval.name.trim().toLowerCase();
    if (approval.sha256 === release.sha256 && !isKnown && !found.has(name)) {
      found.set(name, approval);
    }
  }
  return [...found.values()];
}

/**
 * Return the first day on which two people's approvals count, one of them an endoscopist's (RL2).
 *
 * A later approval never moves that day. Two named people, one of them an endoscopist: common
 * practice of local protocols, no source.
 */
export function dayInForce(release: Release): string | null {
  const approvers = listApprovers(release);
  const first = approvers.findIndex((one) => one.role === 'endoscopist');
  if (first < 0) return null;
  return approvers[Math.max(first, APPROVERS_NEEDED - 1)]?.fromOn ?? null;
}

/** Return where a release stands on a civil date. Rules RL1-RL4. */
export function judgeRelease(release: Release, on: string): Judgement {
  if (release.retiredOn !== null && release.retiredOn <= on) {
    return { standing: 'retired', why: `it was retired on ${release.retiredOn}` };
  }
  const count = listApprovers(release).length;
  if (count < APPROVERS_NEEDED) {
    return { standing: 'draft', why: `${count} of ${APPROVERS_NEEDED} people approved it` };
  }
  const day = dayInForce(release);
  if (day === null) return { standing: 'draft', why: 'no endoscopist approved it' };
  if (day > on) return { standing: 'approved', why: `it comes into force on ${day}` };
  return { standing: 'in force', why: '' };
}
