/**
 * The device's side of the exchange as a table: (state, message) -> (state, messages out).
 * Twin of `exchange_machine.py`; vectors in `tests/conformance/exchange/machine.json`.
 *
 * Pure. Out go changes of the own store and then one request at most, or the end of the round.
 * Every way through a round is finite: a counter, a cursor or the stretch in which a fork is
 * searched moves on with each answer, or the round ends.
 */
import {
  compareTips,
  FIRST_BATCH_BYTES,
  FIRST_PAGE_COUNT,
  MAX_BATCH_BYTES,
  MAX_BATCH_COUNT,
} from './exchange';
import type { Heard, Said } from './exchange-messages';

const FORBIDDEN = 403;
const UNPROCESSABLE = 422;
const NOTHING_TAKEN =
  'The unit took nothing in and gave no reason. Everything is kept on this tablet; ask the data manager.';
// Project default; see `MOST_EMPTY_PAGES` in `exchange_machine.py`.
const MOST_EMPTY_PAGES = 20;
const ONLY_EMPTY_PAGES =
  'Page after page came without an entry, so the exchange was ended. It is tried again; if this stays so, tell the data manager.';

export type Phase =
  | 'resting'
  | 'greeting'
  | 'finding_fork'
  | 'reissuing'
  | 'pulling_case'
  | 'pushing'
  | 'offering'
  | 'pulling';

/** Where a round stands; see `ExchangeState` in `exchange_machine.py` for each part. */
export interface ExchangeState {
  phase: Phase;
  epochs: readonly string[];
  streams: readonly string[];
  case_streams: readonly string[];
  open_case: string;
  is_recovering: boolean;
  is_offering: boolean;
  heads: Readonly<Record<string, number>>;
  cursors: Readonly<Record<string, number>>;
  first: number;
  most_bytes: number;
  limit: number;
  low: number;
  high: number;
  empty_pages: number;
  sentence: string;
}

export const RESTING: ExchangeState = {
  phase: 'resting',
  epochs: [],
  streams: [],
  case_streams: [],
  open_case: '',
  is_recovering: false,
  is_offering: false,
  heads: {},
  cursors: {},
  first: 0,
  most_bytes: FIRST_BATCH_BYTES,
  limit: FIRST_PAGE_COUNT,
  low: 0,
  high: 0,
  empty_pages: 0,
  sentence: '',
};

type Step = [state: ExchangeState, said: Said[]];
type HeardOf<Kind extends Heard['kind']> = Extract<Heard, { kind: Kind }>;
type Turns = { [Kind in Heard['kind']]?: (state: ExchangeState, heard: HeardOf<Kind>) => Step };

/**
 * Return the next state and what the device says (EX2-EX4, EX8-EX10, EX14, EX22).
 *
 * A message that the phase does not wait for changes nothing (EX8).
 */
export function stepExchange(state: ExchangeState, heard: Heard): Step {
  const turn = TABLE[state.phase][heard.kind] as
    | ((state: ExchangeState, heard: Heard) => Step)
    | undefined;
  return turn ? turn(state, heard) : [state, []];
}

function start(_: ExchangeState, heard: HeardOf<'start'>): Step {
  return greetNext({
    ...RESTING,
    epochs: heard.epochs,
    streams: heard.streams,
    case_streams: heard.open_case ? heard.streams : [],
    open_case: heard.open_case ?? '',
    is_recovering: heard.is_recovering ?? false,
    is_offering: heard.is_offering ?? false,
  });
}

/** Go on with the next own epoch; after the last one offer, then pull. */
function greetNext(state: ExchangeState): Step {
  const [epoch] = state.epochs;
  if (epoch !== undefined) {
    return [{ ...state, phase: 'greeting', first: 0 }, [{ kind: 'greet', epoch, counter: null }]];
  }
  if (state.is_offering) {
    return [{ ...state, phase: 'offering' }, [{ kind: 'offer', after: '' }]];
  }
  return pullNext(state);
}

function greeted(before: ExchangeState, heard: HeardOf<'greeted'>): Step {
  const epoch = presentEpoch(before);
  const { tip, heads } = heard.answer;
  const said: Said[] = [];
  let state: ExchangeState = { ...before, heads, cursors: heard.cursors };
  let isPutBack =
    heard.is_other_server ||
    Object.entries(heard.cursors).some(([stream, cursor]) => cursor > (heads[stream] ?? cursor));
  const comparison = compareTips(heard.own, heard.answer, heard.own_hash);
  if (comparison.standing === 'fork') {
    const high = Math.min(heard.own.counter, tip.counter);
    state = { ...state, phase: 'finding_fork', low: 1, high };
    return [state, [{ kind: 'greet', epoch, counter: Math.floor((1 + high) / 2) }]];
  }
  if (comparison.standing === 'device_behind') {
    said.push({ kind: 'note_held', epoch, counter: heard.own.counter }, { kind: 'recover', epoch });
    state = { ...state, is_recovering: true, cursors: {} };
  } else {
    isPutBack ||= tip.counter < heard.held;
    said.push({ kind: 'note_held', epoch, counter: tip.counter });
  }
  const hasMore = Object.entries(heard.answer.epochs ?? {}).some(
    ([name, counter]) => name !== epoch && counter > (heard.own_logs?.[name] ?? 0),
  );
  if (!state.is_recovering && hasMore) {
    said.push({ kind: 'read_own' });
    state = { ...state, is_recovering: true, cursors: {} };
  }
  if (isPutBack) {
    said.push({ kind: 'begin_offer' });
    state = { ...state, is_offering: true, cursors: {} };
  }
  const first = comparison.standing === 'send' ? comparison.sendFrom : 0;
  const [next, request] = pullCase({ ...state, first });
  return [next, [...said, ...request]];
}

/** Halve the stretch until the first counter is found at which both logs differ (EX9). */
function searchFork(state: ExchangeState, heard: HeardOf<'greeted'>): Step {
  const asked = heard.asked.counter;
  const epoch = presentEpoch(state);
  const isSame = heard.answer.hash_at_device_tip === heard.asked.hash;
  const low = isSame ? asked + 1 : state.low;
  const high = isSame ? state.high : asked;
  // The unit changed in between: the next round compares anew.
  if (low > high) return dropEpoch({ ...state, low: 0, high: 0 });
  if (low === high && low === asked) {
    // The other branch is under our own name: it comes back by a pull of own entries.
    return [
      { ...state, phase: 'reissuing', low: 0, high: 0, is_recovering: true, cursors: {} },
      [
        { kind: 'note_held', epoch, counter: low - 1 },
        { kind: 'reissue', epoch, first: low },
      ],
    ];
  }
  const counter = Math.floor((low + high) / 2);
  return [{ ...state, low, high }, [{ kind: 'greet', epoch, counter }]];
}

function reissued(state: ExchangeState, heard: HeardOf<'reissued'>): Step {
  const others = state.epochs.slice(1).filter((epoch) => epoch !== heard.epoch);
  return greetNext({ ...state, epochs: [heard.epoch, ...others] });
}

/**
 * Ask for the open case before the own backlog is sent (EX14), but not while something is offered:
 * what is read would hide how far both hold the same (EX19).
 */
function pullCase(before: ExchangeState): Step {
  let state = before;
  for (;;) {
    const [stream] = state.case_streams;
    if (stream === undefined || state.is_offering) return push(state);
    const after = state.cursors[stream] ?? 0;
    if (after < (state.heads[stream] ?? 0)) {
      return [{ ...state, phase: 'pulling_case' }, [casePage(state, stream, after)]];
    }
    state = { ...state, case_streams: state.case_streams.slice(1) };
  }
}

function casePage(state: ExchangeState, stream: string, after: number): Said {
  return {
    kind: 'pull',
    stream,
    limit: MAX_BATCH_COUNT,
    record: state.open_case,
    after,
    with_own: state.is_recovering,
  };
}

function casePulled(before: ExchangeState, heard: HeardOf<'pulled'>): Step {
  const state = countEmpty(before, heard);
  if (state.empty_pages > MOST_EMPTY_PAGES) return endEmpty();
  const [stream = ''] = state.case_streams;
  if (heard.more && heard.next > heard.after) return [state, [casePage(state, stream, heard.next)]];
  return pullCase({ ...state, case_streams: state.case_streams.slice(1) });
}

/**
 * Go on to the push: a unit of an older release knows no lane, and a revoked device reads nothing,
 * but hands over what it holds (EX12).
 */
function caseRefused(state: ExchangeState, heard: HeardOf<'refused'>): Step {
  return heard.status === FORBIDDEN || heard.status === UNPROCESSABLE
    ? push({ ...state, case_streams: [] })
    : refused(state, heard);
}

function push(state: ExchangeState): Step {
  if (state.first === 0) return dropEpoch(state);
  const { first, most_bytes } = state;
  const said: Said = { kind: 'push', epoch: presentEpoch(state), first, most_bytes };
  return [{ ...state, phase: 'pushing' }, [said]];
}

function pushed(state: ExchangeState, heard: HeardOf<'pushed'>): Step {
  const { tip } = heard;
  if (heard.sent === 0 || !tip) return dropEpoch(state);
  const epoch = presentEpoch(state);
  if (tip.epoch !== epoch || tip.counter < state.first) {
    return dropEpoch({ ...state, sentence: NOTHING_TAKEN });
  }
  const [next, request] = push({
    ...state,
    first: tip.counter + 1,
    most_bytes: Math.min(state.most_bytes * 2, MAX_BATCH_BYTES),
  });
  return [next, [{ kind: 'note_held', epoch, counter: tip.counter }, ...request]];
}

/** Go on to the pull: a refused batch must not keep others' entries from this device. */
function pushRefused(state: ExchangeState, heard: HeardOf<'refused'>): Step {
  return heard.status === UNPROCESSABLE
    ? dropEpoch({ ...state, sentence: heard.sentence })
    : refused(state, heard);
}

function dropEpoch(state: ExchangeState): Step {
  return greetNext({ ...state, epochs: state.epochs.slice(1) });
}

function offered(state: ExchangeState, heard: HeardOf<'offered'>): Step {
  if (heard.last !== '') return [state, [{ kind: 'offer', after: heard.last }]];
  const [next, request] = pullNext({ ...state, is_offering: false });
  return [next, [{ kind: 'end_offer' }, ...request]];
}

/** End the offer, so that it is not made for ever: a person is told, and the pull goes on. */
function offerRefused(state: ExchangeState, heard: HeardOf<'refused'>): Step {
  const [next, request] = pullNext({ ...state, is_offering: false, sentence: heard.sentence });
  return [next, [{ kind: 'end_offer' }, ...request]];
}

/** Go on with the next stream that has more; after the last one the round is over. */
function pullNext(before: ExchangeState): Step {
  let state = before;
  for (;;) {
    const [stream] = state.streams;
    if (stream === undefined) break;
    const head = state.heads[stream];
    if (state.is_recovering || head === undefined || head > (state.cursors[stream] ?? 0)) {
      return [{ ...state, phase: 'pulling' }, [streamPage(state, stream)]];
    }
    state = { ...state, streams: state.streams.slice(1) };
  }
  const said: Said[] = [{ kind: 'finish', outcome: 'done', sentence: state.sentence }];
  if (state.is_recovering) said.unshift({ kind: 'end_recovery' });
  return [RESTING, said];
}

function streamPage(state: ExchangeState, stream: string): Said {
  const { limit, is_recovering: with_own } = state;
  return { kind: 'pull', stream, limit, record: '', after: null, with_own };
}

function countEmpty(state: ExchangeState, heard: HeardOf<'pulled'>): ExchangeState {
  const isCounted = heard.is_empty === true && heard.more;
  return isCounted ? { ...state, empty_pages: state.empty_pages + 1 } : state;
}

/** End the round, not the recovery: the next one goes on where this one read to (EX22). */
function endEmpty(): Step {
  return [RESTING, [{ kind: 'finish', outcome: 'refused', sentence: ONLY_EMPTY_PAGES }]];
}

function pulled(before: ExchangeState, heard: HeardOf<'pulled'>): Step {
  const state = countEmpty(before, heard);
  if (state.empty_pages > MOST_EMPTY_PAGES) return endEmpty();
  const [stream = ''] = state.streams;
  if (heard.more && heard.next > heard.after) {
    const next = { ...state, limit: Math.min(state.limit * 2, MAX_BATCH_COUNT) };
    return [next, [streamPage(next, stream)]];
  }
  return pullNext({ ...state, streams: state.streams.slice(1) });
}

function refused(_: ExchangeState, heard: HeardOf<'refused'>): Step {
  return [RESTING, [{ kind: 'finish', outcome: 'refused', sentence: heard.sentence }]];
}

function unanswered(): Step {
  return [RESTING, [{ kind: 'finish', outcome: 'no_network', sentence: '' }]];
}

function presentEpoch(state: ExchangeState): string {
  return state.epochs[0] ?? '';
}

const ALWAYS: Turns = { refused, no_answer: unanswered };
const TABLE: Record<Phase, Turns> = {
  resting: { start },
  greeting: { ...ALWAYS, greeted },
  finding_fork: { ...ALWAYS, greeted: searchFork },
  reissuing: { ...ALWAYS, reissued },
  pulling_case: { ...ALWAYS, pulled: casePulled, refused: caseRefused },
  pushing: { ...ALWAYS, pushed, refused: pushRefused },
  offering: { ...ALWAYS, offered, refused: offerRefused },
  pulling: { ...ALWAYS, pulled },
};
