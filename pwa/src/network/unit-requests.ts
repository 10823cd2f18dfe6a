/** Requests to the unit server: JSON in, JSON out, and refusals with the server's own sentence. */

import type { PlanChecks } from '../ports';
import { tell } from '../told';
import {
  type Identity,
  NONCE_HEADER,
  NONCE_PROBLEM,
  NoncePool,
  signRequest,
  type Unsigned,
} from './request-proof';

/** The network or the server did not answer; nothing is known about what was done. */
export class NoAnswerError extends Error {
  override name = 'NoAnswerError';
}

/** The unit answered and said no; the message is its sentence. */
export class RefusedError extends Error {
  override name = 'RefusedError';
  readonly status: number;
  /** What else the unit said, as it said it: its type above all. */
  readonly problem: Readonly<Record<string, unknown>>;

  constructor(status: number, sentence: string, problem: Record<string, unknown> = {}) {
    super(sentence);
    this.status = status;
    this.problem = problem;
  }
}

export type Fetch = (path: string, init: RequestInit) => Promise<Response>;

/** With the longest wait in `retry-wait.ts` this stays below a minute: so long no line is dead. */
const LONGEST_ANSWER_MS = 30_000;
/** A segment of a snapshot is the largest thing there is, and nothing waits for it. */
const LONGEST_FILE_MS = 60_000;
const WORTH_SQUEEZING = 2_048;

type Sending = RequestInit & Pick<Unsigned, 'method' | 'body'>;

/** Asks the unit server on behalf of one device, and signs as it (RQ1). */
export class UnitRequests {
  readonly #fetch: Fetch;
  readonly #nonces = new NoncePool();
  #who: () => Identity | null = () => null;

  constructor(fetcher: Fetch) {
    this.#fetch = fetcher;
  }

  /** Sign every request from now on as who is named then; null signs none. */
  identify(who: () => Identity | null): void {
    this.#who = who;
  }

  /**
   * @param as - who signs this one, where that is not who was named for all
   * @param stop - gives the request up, as a network that did not answer
   */
  async post<Answer>(
    path: string,
    token: string | null,
    content: unknown,
    as?: Identity | null,
    stop?: AbortSignal,
  ): Promise<Answer> {
    const text = JSON.stringify(content);
    const headers: Record<string, string> = { 'Content-Type': 'application/json' };
    let body: Unsigned['body'] = text;
    if (text.length > WORTH_SQUEEZING && 'CompressionStream' in globalThis) {
      body = await squeeze(text);
      headers['Content-Encoding'] = 'gzip';
    }
    const signal = inTime(LONGEST_ANSWER_MS, stop);
    return this.#ask<Answer>(path, token, { method: 'POST', headers, body, signal }, as);
  }

  async get<Answer>(path: string, token: string): Promise<Answer> {
    return this.#ask<Answer>(path, token, { method: 'GET', headers: {}, body: null });
  }

  /** Fetch bytes that are no JSON, as they are. */
  async file(path: string, token: string, stop?: AbortSignal): Promise<Uint8Array<ArrayBuffer>> {
    const headers = { Authorization: `Bearer ${token}` };
    const signal = inTime(LONGEST_FILE_MS, stop);
    const response = await this.#send(path, { method: 'GET', headers, signal, body: null });
    if (!response.ok) throw await refusalOf(response);
    try {
      return new Uint8Array(await response.arrayBuffer());
    } catch (error) {
      throw new NoAnswerError(tell('answerCut'), { cause: error });
    }
  }

  /** Send plain bytes; what was sent when it is stopped is nothing to the unit. */
  putBytes<Answer>(
    path: string,
    token: string,
    bytes: Uint8Array<ArrayBuffer>,
    stop: AbortSignal,
  ): Promise<Answer> {
    const headers = { 'Content-Type': 'application/octet-stream' };
    const signal = inTime(LONGEST_FILE_MS, stop);
    return this.#ask<Answer>(path, token, { method: 'PUT', headers, body: bytes, signal });
  }

  /**
   * Tell the unit that everything here was cleared: its answer makes the browser clear the rest.
   *
   * @param unsent - how many entries went that the unit had not taken in
   * @param stop - gives it up: what was removed stays removed
   */
  async tellCleared(token: string, unsent: number, as: Identity, stop: AbortSignal): Promise<void> {
    const headers = { 'Content-Type': 'application/json', Authorization: `Bearer ${token}` };
    const body = JSON.stringify({ unsent });
    // An answer to a request that may carry no cookies is not let clear anything, by the browser.
    const credentials = 'same-origin';
    const init = { method: 'POST', headers, body, credentials, signal: stop } as const;
    const response = await this.#send('/api/devices/own/cleared', init, as);
    if (!response.ok) throw await refusalOf(response);
  }

  /** Ask what the second check of plans found. */
  planChecks(token: string): Promise<PlanChecks> {
    return this.get('/api/plan-checks', token);
  }

  /** Open a stream of text; the caller reads it to its end. */
  async stream(
    path: string,
    token: string,
    stop: AbortSignal,
  ): Promise<ReadableStream<Uint8Array>> {
    const headers = { Accept: 'text/event-stream', Authorization: `Bearer ${token}` };
    const response = await this.#send(path, { method: 'GET', headers, signal: stop, body: null });
    if (!response.ok || response.body === null) throw await refusalOf(response);
    return response.body;
  }

  async #ask<Answer>(
    path: string,
    token: string | null,
    init: Sending,
    as?: Identity | null,
  ): Promise<Answer> {
    const headers: Record<string, string> = {
      Accept: 'application/json',
      ...(init.headers as Record<string, string>),
      ...(token === null ? {} : { Authorization: `Bearer ${token}` }),
    };
    const signal = init.signal ?? inTime(LONGEST_ANSWER_MS);
    const response = await this.#send(path, { ...init, headers, signal }, as);
    if (!response.ok) throw await refusalOf(response);
    try {
      return (await response.json()) as Answer;
    } catch (error) {
      throw new NoAnswerError(tell('answerCut'), { cause: error });
    }
  }

  /** Send a request, signed where there is who signs; once more when its nonce was not good. */
  async #send(path: string, init: Sending, as: Identity | null = this.#who()): Promise<Response> {
    if (as === null) return this.#carry(path, init);
    const { method, body } = init;
    for (let isAgain = false; ; isAgain = true) {
      const nonce = await this.#nonces.take((count) => this.#drawNonces(count, init.signal));
      // A unit of an older release knows no nonces, and takes the token alone.
      const signed = nonce === null ? {} : await signRequest(as, { method, path, body }, nonce);
      const headers = { ...(init.headers as Record<string, string>), ...signed };
      const response = await this.#carry(path, { ...init, headers });
      const isStale = !isAgain && nonce !== null && (await isNonceRefusal(response));
      if (isStale) this.#nonces.clear();
      this.#nonces.keep(response.headers.get(NONCE_HEADER));
      if (!isStale) return response;
    }
  }

  async #drawNonces(count: number, signal: RequestInit['signal']): Promise<string[] | null> {
    const response = await this.#carry('/api/nonces', {
      method: 'POST',
      headers: { Accept: 'application/json', 'Content-Type': 'application/json' },
      body: JSON.stringify({ count }),
      signal: signal ?? null,
    });
    if (response.status === 404 || response.status === 405) return null;
    if (!response.ok) throw await refusalOf(response);
    return ((await response.json()) as { nonces: string[] }).nonces;
  }

  async #carry(path: string, init: Sending): Promise<Response> {
    const { body, ...rest } = init;
    const sent: RequestInit = body === null ? rest : { ...rest, body };
    try {
      return await this.#fetch(path, { credentials: 'omit', ...sent, cache: 'no-store' });
    } catch (error) {
      throw new NoAnswerError(tell('unreachable'), { cause: error });
    }
  }
}

async function isNonceRefusal(response: Response): Promise<boolean> {
  if (response.status !== 401) return false;
  try {
    const problem = (await response.clone().json()) as { type?: unknown };
    return problem.type === NONCE_PROBLEM;
  } catch {
    return false;
  }
}

async function squeeze(text: string): Promise<ArrayBuffer> {
  const stream = new Blob([text]).stream().pipeThrough(new CompressionStream('gzip'));
  return new Response(stream).arrayBuffer();
}

/** Ends when an answer takes too long, or when it is stopped. */
function inTime(longestMs: number, stop?: AbortSignal): AbortSignal {
  const late = AbortSignal.timeout(longestMs);
  return stop === undefined ? late : AbortSignal.any([late, stop]);
}

/** A 5xx (also one of a proxy in between) says nothing about the request: treated as no answer. */
async function refusalOf(response: Response): Promise<Error> {
  if (response.status >= 500)
    return new NoAnswerError(tell('unitFailed', { status: response.status }));
  let problem: Record<string, unknown> = {};
  try {
    problem = (await response.json()) as Record<string, unknown>;
  } catch {
    // No problem details: the number has to do.
  }
  const sentence = String(problem.detail ?? problem.title ?? '');
  return new RefusedError(
    response.status,
    sentence || tell('unitRefused', { status: response.status }),
    problem,
  );
}
