/**
 * A desk: who is logged in at the server, and what that person may see there. The unit desk asks a
 * unit's server, the desk of the network its hub.
 *
 * It knows no store and no tablet. What is told once (codes, a second factor) is kept by the screen
 * that shows it and nowhere else.
 */
import type {
  DeskAnswer,
  DeskPerson,
  DeskPort,
  DeskQuestion,
  DeskQuestions,
  DeskRole,
} from '../desk-questions';

export type DeskPart =
  | 'devices'
  | 'people'
  | 'trail'
  | 'privacy'
  | 'own'
  | 'network'
  | 'units'
  | 'links'
  | 'recalls'
  | 'outcomes'
  | 'quality'
  | 'exports'
  | 'protocols';
export type DeskKind = 'unit' | 'hub';

type Parts = Readonly<Partial<Record<DeskRole, readonly DeskPart[]>>>;
/** What each role is offered; the server decides by its own table all the same. */
const PARTS: Readonly<Record<DeskKind, Parts>> = {
  unit: {
    'unit-admin': ['devices', 'people', 'network', 'quality', 'trail', 'own'],
    'data-manager': ['network', 'outcomes', 'quality', 'trail', 'privacy', 'own'],
    endoscopist: ['network', 'outcomes', 'quality', 'own'],
    assistant: ['network', 'own'],
    anaesthetist: ['network', 'own'],
    auditor: ['trail', 'own'],
  },
  hub: {
    'unit-admin': ['units', 'devices', 'people', 'trail', 'own'],
    'data-manager': [
      'units',
      'links',
      'recalls',
      'outcomes',
      'quality',
      'exports',
      'protocols',
      'trail',
      'own',
    ],
    // Who approves a version of the network's rule files reads nothing else there.
    endoscopist: ['protocols', 'own'],
    anaesthetist: ['protocols', 'own'],
    auditor: ['trail', 'exports', 'own'],
  },
};
/** Who may look who looked, as the server's table has it; whoever gives out roles may not. */
export const TRAIL_READERS: readonly DeskRole[] = ['auditor', 'data-manager'];
const OTHERS: readonly DeskPart[] = ['own'];

/** Return the parts of a desk that a role is offered, the first of them shown first. */
export function partsOf(role: DeskRole, kind: DeskKind = 'unit'): readonly DeskPart[] {
  return PARTS[kind][role] ?? OTHERS;
}

export class UnitDesk {
  readonly #port: DeskPort;
  /** Undefined before the server was asked; null where nobody is logged in. */
  person = $state.raw<DeskPerson | null | undefined>(undefined);
  part = $state<DeskPart>('own');
  isAsking = $state(false);
  /** Why the server did not do what was asked last; "" where it did. */
  notTold = $state('');
  /** Whether the desk was left and closed by itself. */
  isLeft = $state(false);
  readonly #monotonicMs: () => number;
  readonly kind: DeskKind;
  #touchedMs = 0;

  /** @param monotonicMs - a clock that never jumps */
  constructor(port: DeskPort, monotonicMs: () => number, kind: DeskKind = 'unit') {
    this.#port = port;
    this.#monotonicMs = monotonicMs;
    this.kind = kind;
  }

  parts = $derived.by(() => (this.person ? partsOf(this.person.role, this.kind) : []));

  /** Ask who is logged in; that nobody is, is no refusal. */
  async begin(): Promise<void> {
    await this.ask('who', null);
  }

  /**
   * Ask the server; null where it did not answer, refused, or another question is on its way.
   *
   * One question at a time: a double press adds one person and makes one code.
   */
  async ask<Question extends DeskQuestion>(
    question: Question,
    asks: DeskQuestions[Question]['asks'],
  ): Promise<DeskQuestions[Question]['tells'] | null> {
    if (this.isAsking) return null;
    this.isAsking = true;
    this.isLeft = false;
    this.#touchedMs = this.#monotonicMs();
    try {
      const found = await this.#port.ask(question, asks);
      this.#take(question, found);
      return found.kind === 'told' ? found.answer : null;
    } finally {
      this.isAsking = false;
    }
  }

  /** @param offer - of a second factor that was offered just now; none where one stands already */
  async logIn(login: string, password: string, code: string, offer = ''): Promise<boolean> {
    const typed = { login, password, code };
    return (await this.ask('log-in', offer === '' ? typed : { ...typed, offer })) !== null;
  }

  /** Log out. Where the server is away the session lasts there, so that the person is told. */
  async logOut(): Promise<void> {
    await this.ask('log-out', null);
    if (this.notTold === '') this.person = null;
  }

  /**
   * Close a desk that was left: what it shows goes with the log-in, which has ended at the server
   * too. Nothing is asked for it: a question would be a use.
   */
  look(): void {
    const { person } = this;
    if (!person || this.#monotonicMs() - this.#touchedMs < person.idle_ms) return;
    this.person = null;
    this.isLeft = true;
  }

  go(part: DeskPart): void {
    this.part = part;
    this.notTold = '';
  }

  #take<Question extends DeskQuestion>(question: Question, found: DeskAnswer<Question>): void {
    const isNobody = found.kind === 'logged-out' && question === 'who';
    this.notTold = found.kind === 'told' || isNobody ? '' : found.sentence;
    if (found.kind === 'told' && (question === 'who' || question === 'log-in')) {
      this.person = found.answer as DeskPerson;
      this.part = this.parts[0] ?? 'own';
    } else if (found.kind === 'logged-out') {
      this.person = null;
    } else if (this.person === undefined) {
      this.person = null;
    }
  }
}
