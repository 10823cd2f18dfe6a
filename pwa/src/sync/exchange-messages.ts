/**
 * What the device's side of the exchange hears and says; twin of `exchange_messages.py`, where
 * each part is described. Keys are those of the vectors.
 */
import type { HandshakeAnswer } from './exchange';
import type { Tip } from './operation-log';

/** Answers, with the facts of the own store that the decision needs. */
export type Heard =
  | {
      kind: 'start';
      epochs: readonly string[];
      streams: readonly string[];
      open_case?: string;
      is_recovering?: boolean;
      is_offering?: boolean;
    }
  | {
      kind: 'greeted';
      asked: Tip;
      own: Tip;
      own_hash: string | null;
      held: number;
      cursors: Readonly<Record<string, number>>;
      is_other_server: boolean;
      answer: HandshakeAnswer;
      own_logs?: Readonly<Record<string, number>>;
    }
  | { kind: 'pushed'; sent: number; tip?: Tip | null }
  | { kind: 'reissued'; epoch: string }
  | { kind: 'offered'; last: string }
  | { kind: 'pulled'; after: number; next: number; more: boolean; is_empty?: boolean }
  | { kind: 'refused'; status: number; sentence: string }
  | { kind: 'no_answer' };

/** One request to the unit. */
export type UnitRequest =
  | { kind: 'greet'; epoch: string; counter: number | null }
  | { kind: 'push'; epoch: string; first: number; most_bytes: number }
  | { kind: 'offer'; after: string }
  | {
      kind: 'pull';
      stream: string;
      limit: number;
      record: string;
      after: number | null;
      with_own: boolean;
    };

/** A change of the own store. */
export type StoreChange =
  | { kind: 'note_held'; epoch: string; counter: number }
  | { kind: 'recover'; epoch: string }
  | { kind: 'read_own' }
  | { kind: 'reissue'; epoch: string; first: number }
  | { kind: 'begin_offer' }
  | { kind: 'end_offer' }
  | { kind: 'end_recovery' };

export type Said =
  | UnitRequest
  | StoreChange
  | { kind: 'finish'; outcome: 'done' | 'refused' | 'no_network'; sentence: string };
