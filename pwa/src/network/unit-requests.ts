/** Requests to the unit server: JSON in, JSON out, and refusals with the server's own sentence. */

import type { PlanChecks } from '../ports';
import { tell } from '../told';

/** The network or the server did not answer; nothing is known about what was done. */
export class NoAnswerError extends Error {
  override name = 'NoAnswerError';
}

/** The unit answered and said no; the message is its sentence. */
export class RefusedError extends Error {
  override name = 'RefusedError';
  readonly status: number;

  constructor(status: number, sentence: string) {
    super(sentence);
    this.status = status;
  }
}

export type Fetch = (path: string, init: RequestInit) => Promise<Response>;

/** With the longest wait in `retry-wait.ts` this stays below a minute: so long no line is dead. */
const LONGEST_ANSWER_MS = 30_000;
/** A segment of a snapshot is the largest thing there is, and nothing waits for it. */
const LONGEST_FILE_MS = 60_000;
const WORTH_SQUEEZING = 2_048;

/** Asks the unit server on behalf of one device. */
export class UnitRequests {
  readonly #fetch: Fetch;

  constructor(fetcher: Fetch) {
    this.#fetch = fetcher;
  }

  async post<Answer>(path: string, token: string | null, content: unknown): Promise<Answer> {
    const text = JSON.stringify(content);
    const headers: Record<string, string> = { 'Content-Type': 'application/json' };
    let body: BodyInit = text;
    if (text.length > WORTH_SQUEEZING && 'CompressionStream' in globalThis) {
      body = await squeeze(text);
      headers['Content-Encoding'] = 'gzip';
    }
    return this.#ask<Answer>(path, token, { method: 'POST', headers, body });
  }

  async get<Answer>(path: string, token: string): Promise<Answer> {
    return this.#ask<Answer>(path, token, { method: 'GET', headers: {} });
  }

  /** Fetch bytes that are no JSON, as they are. */
  async file(path: string, token: string, stop?: AbortSignal): Promise<Uint8Array<ArrayBuffer>> {
    const headers = { Authorization: `Bearer ${token}` };
    const signal = inTime(LONGEST_FILE_MS, stop);
    const response = await this.#send(path, { method: 'GET', headers, signal });
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
    const response = await this.#send(path, { method: 'GET', headers, signal: stop });
    if (!response.ok || response.body === null) throw await refusalOf(response);
    return response.body;
  }

  async #ask<Answer>(path: string, token: string | null, init: RequestInit): Promise<Answer> {
    const headers: Record<string, string> = {
      Accept: 'application/json',
      ...(init.headers as Record<string, string>),
      ...(token === null ? {} : { Authorization: `Bearer ${token}` }),
    };
    const signal = init.signal ?? inTime(LONGEST_ANSWER_MS);
    const response = await this.#send(path, { ...init, headers, signal });
    if (!response.ok) throw await refusalOf(response);
    try {
      return (await response.json()) as Answer;
    } catch (error) {
      throw new NoAnswerError(tell('answerCut'), { cause: error });
    }
  }

  async #send(path: string, init: RequestInit): Promise<Response> {
    try {
      return await this.#fetch(path, { ...init, cache: 'no-store', credentials: 'omit' });
    } catch (error) {
      throw new NoAnswerError(tell('unreachable'), { cause: error });
    }
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
  let sentence = '';
  try {
    const problem = (await response.json()) as { detail?: unknown; title?: unknown };
    sentence = String(problem.detail ?? problem.title ?? '');
  } catch {
    // No problem details: the number has to do.
  }
  return new RefusedError(
    response.status,
    sentence || tell('unitRefused', { status: response.status }),
  );
}
