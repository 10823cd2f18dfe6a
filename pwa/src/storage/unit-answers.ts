/** What only the unit can tell: asked when somebody looks, and never waited for by an entry. */
import {
  CLINIC_PATHS,
  type ClinicAnswer,
  type ClinicExchange,
  type ClinicQuestion,
} from '../clinic-questions';
import { REVOKED_PROBLEM } from '../network/revocation';
import { readEvents } from '../network/unit-events';
import { RefusedError, type UnitRequests } from '../network/unit-requests';
import type {
  Alarms,
  FollowUpCheck,
  FollowUpCheckAnswer,
  LetterKind,
  LetterVisit,
  PlanChecksAnswer,
  UnitAlarmsAnswer,
  UnitDevice,
  UnitDevicesAnswer,
  UnitLetters,
  UnitLettersAnswer,
  UnitProposals,
  UnitProposalsAnswer,
  UnitReminders,
  UnitRemindersAnswer,
  UnitWeeks,
  UnitWeeksAnswer,
} from '../ports';
import { whyOf } from '../told';
import { rememberSeenTo } from './alarm-rows';
import type { OperationStore } from './operation-store';

export class UnitAnswers {
  readonly #store: OperationStore;
  readonly #requests: UnitRequests;
  #isListening = false;

  constructor(store: OperationStore, requests: UnitRequests) {
    this.#store = store;
    this.#requests = requests;
  }

  planChecks(): Promise<PlanChecksAnswer> {
    return this.#ask((token) => this.#requests.planChecks(token));
  }

  unitAlarms(): Promise<UnitAlarmsAnswer> {
    return this.#ask(async (token) => {
      // A unit of an older release tells of none that was seen to.
      const told = await this.#requests.get<Partial<Alarms>>('/api/decisions', token);
      const { alarms = [], seen_to: seenTo = [] } = told;
      rememberSeenTo(
        this.#store,
        seenTo.map(({ name }) => name),
      );
      return { alarms, seen_to: seenTo };
    });
  }

  unitDevices(): Promise<UnitDevicesAnswer> {
    return this.#ask((token) =>
      this.#requests.get<{ devices: UnitDevice[] }>('/api/devices', token),
    );
  }

  followUpCheck(): Promise<FollowUpCheckAnswer> {
    return this.#ask((token) =>
      this.#requests.get<FollowUpCheck>('/api/follow-up-check?now=true', token),
    );
  }

  unitLetters(kind: LetterKind, visits: readonly LetterVisit[]): Promise<UnitLettersAnswer> {
    return this.#ask((token) =>
      this.#requests.post<UnitLetters>('/api/letters', token, { kind, visits }),
    );
  }

  unitReminders(fromOn: string, untilOn: string): Promise<UnitRemindersAnswer> {
    const days = new URLSearchParams({ from_on: fromOn, until_on: untilOn });
    return this.#ask((token) => this.#requests.get<UnitReminders>(`/api/reminders?${days}`, token));
  }

  unitProposals(todayOn: string, untilOn: string): Promise<UnitProposalsAnswer> {
    const asked = { today_on: todayOn, until_on: untilOn };
    return this.#ask((token) =>
      this.#requests.post<UnitProposals>('/api/bookings/propose', token, asked),
    );
  }

  unitWeeks(): Promise<UnitWeeksAnswer> {
    return this.#ask((token) => this.#requests.get<UnitWeeks>('/api/clinic-weeks', token));
  }

  askClinic<Question extends ClinicQuestion>(
    question: Question,
    asks: ClinicExchange[Question]['asks'],
  ): Promise<ClinicAnswer<Question>> {
    type Told = ClinicExchange[Question]['told'];
    const path = CLINIC_PATHS[question];
    return this.#ask((token) =>
      asks === null
        ? this.#requests.get<Told>(path, token)
        : this.#requests.post<Told>(path, token, asks),
    );
  }

  /**
   * Listen until the line breaks; a call meanwhile does nothing.
   *
   * @param onNews - the unit has something new
   * @param onRevoked - the unit has revoked this device; hears its sentence
   */
  async listen(onNews: () => void, onRevoked: (sentence: string) => void): Promise<void> {
    const token = this.#store.ownDevice()?.token;
    if (this.#isListening || !token) return;
    this.#isListening = true;
    try {
      const stop = new AbortController();
      const events = await this.#requests.stream('/api/exchange/events', token, stop.signal);
      await readEvents(events, onNews);
    } catch (error) {
      const isRevoked = error instanceof RefusedError && error.problem.type === REVOKED_PROBLEM;
      // Of anything else the rounds every 30 s tell, which go on without it.
      if (isRevoked) onRevoked(error.message);
    } finally {
      this.#isListening = false;
    }
  }

  async #ask<Told extends object>(
    ask: (token: string) => Promise<Told>,
  ): Promise<({ kind: 'told' } & Told) | { kind: 'not-told'; sentence: string }> {
    const token = this.#store.ownDevice()?.token;
    if (!token) return { kind: 'not-told', sentence: '' };
    try {
      return { kind: 'told', ...(await ask(token)) };
    } catch (error) {
      return { kind: 'not-told', sentence: whyOf(error) };
    }
  }
}
