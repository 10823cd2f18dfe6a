/**
 * Visits of a case as FHIR R4B: a ServiceRequest for what is to be done, an Appointment for what
 * is booked. Pure. Twin of `api/documents/fhir_case_visits.py`.
 */
import { clean, notes, type Resource, refer, type Told, writeInstant } from './fhir-parts';
import { opaqueId } from './opaque-id';

/** When and where a visit is booked, in milliseconds since 1970. */
export interface VisitSlot {
  starts_ms: number;
  ends_ms: number;
  place: string;
}

const APPOINTMENT_STATUS: ReadonlyMap<string, string> = new Map([
  ['booked', 'booked'],
  ['attended', 'fulfilled'],
  ['no-show', 'noshow'],
  ['cancelled', 'cancelled'],
  ['ended', 'cancelled'],
]);
/** Said of the patient's place in the appointment; the standard wants one for each. */
const PARTICIPANT_STATUS: Readonly<Record<string, string>> = {
  booked: 'needs-action',
  pending: 'needs-action',
  cancelled: 'declined',
};

const ENDED_AFTER =
  'It was ended after the time it was booked for. Whether the patient came is not told here.';

/** Return the resources of a visit, each with the name that its id is made from. */
export function writeVisit(
  told: Told,
  slot: VisitSlot | null,
  subject: string,
): [string, Resource][] {
  const target = told.day('window', 'target_on');
  const first = told.day('window', 'earliest_on') || target;
  const last = told.day('window', 'latest_on') || target;
  const isWhole = first !== '' && last !== '';
  const isTurned = isWhole && first > last;
  const isLate = isEndedAfter(told, slot);
  const request = {
    resourceType: 'ServiceRequest',
    id: opaqueId(told.record),
    status: requestStatus(told, isLate),
    intent: 'plan',
    code: { text: told.text('label') || 'Visit' },
    subject: refer(subject),
    ...(isWhole && !isTurned ? { occurrencePeriod: { start: first, end: last } } : {}),
    ...written(told.atMs, 'authoredOn'),
    ...notes([
      isTurned ? 'The window ends before it begins. Ask the clinic.' : '',
      isLate && !isError(told) ? ENDED_AFTER : '',
      ...told.doubts(['label', 'status', 'window', 'booking']),
    ]),
  };
  // Of one that was ended after its time nobody can say that it was called off.
  const appointment = isLate ? null : writeAppointment(told, slot, subject);
  const made: [string, Resource][] = [[told.record, request]];
  return appointment === null ? made : [...made, [appointmentRecord(told.record), appointment]];
}

/** Return the name by which the appointment of a visit gets its id. */
function appointmentRecord(visit: string): string {
  return `appointment of ${visit}`;
}

/** Say whether a visit was ended, or written since, after the time it was booked for. */
function isEndedAfter(told: Told, slot: VisitSlot | null): boolean {
  const isEnded = !told.isStruck && told.text('status') === 'ended';
  return isEnded && slot !== null && slot.starts_ms < told.atMs;
}

function isError(told: Told): boolean {
  return told.text('ended_because') === 'case-retracted';
}

function requestStatus(told: Told, isLate: boolean): string {
  if (told.isStruck) return 'entered-in-error';
  if (told.hasDoubt('status')) return 'unknown';
  const status = told.text('status');
  if (status === 'ended') {
    if (isError(told)) return 'entered-in-error';
    return isLate ? 'unknown' : 'revoked';
  }
  return status === 'attended' ? 'completed' : 'active';
}

function writeAppointment(told: Told, slot: VisitSlot | null, subject: string): Resource | null {
  const start = slot === null ? '' : writeInstant(slot.starts_ms);
  const end = slot === null ? '' : writeInstant(slot.ends_ms);
  if (slot === null || start === '' || end === '' || told.isStruck) return null;
  if (Object.keys(told.parts('elsewhere')).length > 0) return null;
  // Asked for again: what was booked is off.
  const settled = APPOINTMENT_STATUS.get(told.text('status')) ?? 'cancelled';
  const status = told.hasDoubt('status') ? 'pending' : settled;
  const answer = PARTICIPANT_STATUS[status] ?? 'accepted';
  const participants: Resource[] = [{ actor: refer(subject), status: answer }];
  const place = clean(slot.place);
  if (place !== '') participants.push({ actor: { display: place }, status: 'accepted' });
  return {
    resourceType: 'Appointment',
    id: opaqueId(appointmentRecord(told.record)),
    status,
    description: 'Clinic visit',
    start,
    end,
    ...written(told.atMs, 'created'),
    basedOn: [refer(told.record)],
    participant: participants,
  };
}

function written(atMs: number, name: string): Resource {
  const at = writeInstant(atMs);
  return at === '' ? {} : { [name]: at };
}
