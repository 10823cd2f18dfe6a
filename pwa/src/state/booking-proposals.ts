/**
 * What the unit proposes, held against the record as this desk holds it now: sessions fill and
 * visits are booked between the question and the press. Pure.
 */
import { ClinicalRuleError } from '../clinical-rules/errors';
import { fitsSession, neededEquipment } from '../clinical-rules/session-places';
import type { Draft, Proposal } from '../ports';
import { seatBookings } from './session-bookings';
import { listOf, type RecordState, structureOf } from './shown';
import type { WorkRow } from './worklist';
import { bookDraft } from './worklist-acts';
import type { Course } from './worklist-course';
import { isOffered, type OfferedSession, offerOf } from './worklist-sessions';

/**
 * How a proposal stands now: `open` can be accepted, `booked` was, by this desk or another; of the
 * others each says why it cannot.
 */
export type ProposalStanding =
  | 'open'
  | 'booked'
  | 'filled'
  | 'closed'
  | 'changed'
  | 'other-booking'
  | 'two-answers'
  | 'barred'
  | 'gone';

export interface ProposalRow extends Proposal {
  /** The visit's row of the worklist; undefined where it has left the list. */
  row: WorkRow | undefined;
  stands: ProposalStanding;
  offer: OfferedSession | undefined;
  /** The day lies outside the window: whoever books it gives the reason (FU-02). */
  wantsReason: boolean;
}

export interface HeldNow {
  sessions: readonly RecordState[];
  visits: readonly RecordState[];
  rows: readonly WorkRow[];
}

/** Return the proposals that change something, each with how it stands now. */
export function checkProposals(proposals: readonly Proposal[], held: HeldNow): ProposalRow[] {
  const rowOf = new Map(held.rows.map((row) => [row.visit.record, row]));
  const sessionOf = new Map(held.sessions.map((session) => [session.record, session]));
  const named = new Set(proposals.map(({ session }) => session));
  const seats = seatBookings(
    held.sessions.filter(({ record }) => named.has(record)),
    held.visits,
  );
  const countIn = (record: string) => {
    const { holding = [], over = [] } = seats.get(record) ?? {};
    // Those told another day take no place of this session (BK7).
    return holding.length + over.filter(({ why }) => why !== 'another-day').length;
  };
  return proposals
    .filter(({ standing }) => standing !== 'kept')
    .map((proposal) => {
      const row = rowOf.get(proposal.visit);
      const session = sessionOf.get(proposal.session);
      const offer =
        row && session
          ? offerOf(session, row.window, proposal.on, countIn(session.record))
          : undefined;
      return {
        ...proposal,
        row,
        offer,
        wantsReason: offer !== undefined && offer.lies !== 'inside',
        stands: findStanding(proposal, row, session, offer),
      };
    });
}

function findStanding(
  proposal: Proposal,
  row: WorkRow | undefined,
  session: RecordState | undefined,
  offer: OfferedSession | undefined,
): ProposalStanding {
  if (row === undefined) return 'gone';
  if (row.group === 'two-answers') return 'two-answers';
  const isBooked = row.status === 'booked';
  // A booking of this session for a day on which it is no longer held has yet to be made anew.
  const { session: booked, on } = row.booking ?? {};
  if (isBooked && booked === proposal.session && on === proposal.on) return 'booked';
  if (isBooked && proposal.standing === 'new') return 'other-booking';
  if (row.isContactBarred) return 'barred';
  if (session === undefined || !isOffered(session)) return 'closed';
  const held = structureOf(session, 'held');
  if (held?.on !== proposal.on || held?.starts !== proposal.starts) return 'changed';
  if (!fitsSession(neededEquipment(row.label), listOf(session, 'equipment').map(String))) {
    return 'changed';
  }
  return (offer?.free ?? 0) > 0 ? 'open' : 'filled';
}

/** Bookings as drafts; `refused` has the sentence for those that the course does not allow. */
export interface AcceptedDrafts {
  drafts: Draft[];
  refused: Map<string, string>;
}

/**
 * Return the drafts that book proposals, by the ordinary act. Never more than a session has
 * places left: those beyond it stay open, and stand as filled afterwards (FU-14).
 *
 * @param reason - why a day outside the window, as the record keeps it; without one such proposals
 *   stay open. Inside it the unit's own sentence is kept.
 */
export function acceptDrafts(
  rows: readonly ProposalRow[],
  course: Course,
  reason = '',
): AcceptedDrafts {
  const promised = new Map<string, number>();
  const drafts: Draft[] = [];
  const refused = new Map<string, string>();
  for (const { row, offer, stands, session, visit, because, wantsReason } of rows) {
    const given = promised.get(session) ?? 0;
    if (stands !== 'open' || row === undefined || offer === undefined) continue;
    if (given >= offer.free || (wantsReason && reason === '')) continue;
    try {
      drafts.push(bookDraft(row.visit, offer, wantsReason ? reason : because, course));
      promised.set(session, given + 1);
    } catch (error) {
      if (!(error instanceof ClinicalRuleError)) throw error;
      refused.set(visit, error.message);
    }
  }
  return { drafts, refused };
}
