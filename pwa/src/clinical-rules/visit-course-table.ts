/**
 * The table of a visit's course: from which state which role may do which act, and what it needs.
 * Twin of `visit_course_table.py`.
 *
 * Nothing in here reads a rule file: a unit sets days and counts, never who may end a follow-up.
 */

export const NONE = 'none';
export const ENDED = 'ended';
export const TO_DO = [
  'planned',
  'to-book',
  'booked',
  'no-show',
  'cancelled-by-patient',
  'cancelled-by-unit',
] as const;
export const TOOK_PLACE = ['attended', 'done-elsewhere'] as const;
export const ROLES = ['booking', 'clinician'] as const;
export const END_REASONS = [
  'died',
  'transferred',
  'declined',
  'not-needed',
  'case-retracted',
] as const;

export type Role = (typeof ROLES)[number];
export type VisitState =
  | typeof NONE
  | (typeof TO_DO)[number]
  | (typeof TOOK_PLACE)[number]
  | 'ended';
/** A key of the act's request that an act cannot do without. */
export type Need =
  | 'owner_role'
  | 'act_on'
  | 'day'
  | 'because'
  | 'cancelled_by'
  | 'place'
  | 'reason';

/** One act: the states it starts from, who may do it, which keys it needs, where it leads. */
export interface Act {
  readonly startsFrom: readonly VisitState[];
  readonly roles: readonly Role[];
  readonly needs: readonly Need[];
  /** The recorded status; '' where an act changes the owner alone. */
  readonly leaves: string;
}

const BOTH = ROLES;
const CLINICIAN = ['clinician'] as const;
const UNBOOKED = TO_DO.filter((state) => state !== 'booked');

const TABLE = {
  plan: { startsFrom: [NONE], roles: CLINICIAN, needs: ['owner_role'], leaves: 'planned' },
  'ask-to-book': {
    startsFrom: UNBOOKED.filter((state) => state !== 'to-book'),
    roles: BOTH,
    needs: [],
    leaves: 'to-book',
  },
  book: { startsFrom: UNBOOKED, roles: BOTH, needs: ['day'], leaves: 'booked' },
  move: { startsFrom: ['booked'], roles: BOTH, needs: ['day', 'because'], leaves: 'booked' },
  cancel: {
    startsFrom: ['booked'],
    roles: BOTH,
    needs: ['cancelled_by', 'because'],
    leaves: 'cancelled',
  },
  'no-show': { startsFrom: ['booked'], roles: BOTH, needs: ['because'], leaves: 'no-show' },
  came: { startsFrom: TO_DO, roles: BOTH, needs: [], leaves: 'attended' },
  'done-elsewhere': {
    startsFrom: TO_DO,
    roles: BOTH,
    needs: ['day', 'place'],
    leaves: 'attended',
  },
  'hand-over': {
    startsFrom: [...TO_DO, ...TOOK_PLACE],
    roles: BOTH,
    needs: ['owner_role', 'act_on', 'because'],
    leaves: '',
  },
  escalate: { startsFrom: TO_DO, roles: BOTH, needs: ['because'], leaves: '' },
  end: {
    startsFrom: [...TO_DO, ...TOOK_PLACE],
    roles: CLINICIAN,
    needs: ['reason'],
    leaves: ENDED,
  },
  reopen: {
    startsFrom: [...TOOK_PLACE, ENDED],
    roles: CLINICIAN,
    needs: ['because'],
    leaves: 'to-book',
  },
} as const satisfies Record<string, Act>;

export type ActName = keyof typeof TABLE;
export const ACT_NAMES = Object.keys(TABLE) as readonly ActName[];
export const ACTS: Readonly<Record<ActName, Act>> = TABLE;

/** What a desk may not do with a visit that a clinician holds: it would take it from them. */
const TAKES_FROM_CLINICIAN: readonly ActName[] = ['ask-to-book', 'hand-over'];

/** What of a visit tells its state. */
export interface StateFacts {
  readonly status: string;
  readonly cancelled_by?: string | undefined;
  readonly elsewhere?: unknown;
}

/**
 * Return the state of a visit from its recorded fields (CV1).
 *
 * A cancelled visit of an older record, in which nobody said who cancelled, counts as cancelled by
 * the unit: the unit owes the next step.
 */
export function readState(visit: StateFacts): VisitState {
  if (visit.status === 'cancelled') {
    return `cancelled-by-${visit.cancelled_by ?? 'unit'}` as VisitState;
  }
  const isElsewhere = visit.status === 'attended' && visit.elsewhere !== undefined;
  return (isElsewhere ? 'done-elsewhere' : visit.status) as VisitState;
}

/** Return the acts that a role may do on a visit, in the order of the table (CV2, CV3). */
export function listActs(state: VisitState, role: Role, ownerRole: Role | undefined): ActName[] {
  return ACT_NAMES.filter((name) => isAllowed(name, state, role, ownerRole));
}

/** Say whether a role may do an act on a visit in this state (CV2, CV3). */
export function isAllowed(
  name: ActName,
  state: VisitState,
  role: Role,
  ownerRole: Role | undefined,
): boolean {
  const act = ACTS[name];
  if (!act.startsFrom.includes(state) || !act.roles.includes(role)) return false;
  return !(isClinicians(ownerRole, role) && TAKES_FROM_CLINICIAN.includes(name));
}

/** Say whether a clinician holds a visit that a desk wants to act on. */
function isClinicians(ownerRole: Role | undefined, role: Role): boolean {
  return ownerRole === 'clinician' && role === 'booking';
}
