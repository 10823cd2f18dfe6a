/**
 * A timer that is only ever read: elapsed = now - start, from two clocks at once (HAZ-17).
 *
 * Nothing counts up here. A hidden tab, a slowed interval or a restart cannot make it drift, and
 * two clocks that disagree are said to disagree. Reads no clock itself.
 */

/** The two clocks of the device at one moment. */
export interface ClockReading {
  wallMs: number;
  /** Counts since the page opened; useless across pages and, on most tablets, during sleep. */
  monotonicMs: number;
  /** Which opening of the page `monotonicMs` belongs to. */
  page: string;
}

/** What is remembered of a running timer; plain JSON, so that it survives a kill. */
export interface RunningTimer {
  started: ClockReading;
  /** By how much a person said the start lay further back. */
  earlierMs: number;
  /** Where it was stopped and nothing is recorded yet: the time stands still there. */
  stopped?: ClockReading;
}

export interface TimerReading {
  elapsedMs: number;
  /** The clocks disagree by more than `AGREEMENT_MS`, or the wall clock went backwards. */
  isUncertain: boolean;
  wallElapsedMs: number;
  /** Null after a restart: the monotonic clock began anew. */
  monotonicElapsedMs: number | null;
}

/** Clocks further apart than this make the time uncertain. */
export const AGREEMENT_MS = 1_000;

export function startTimer(now: ClockReading): RunningTimer {
  return { started: { ...now }, earlierMs: 0 };
}

/** Return the timer with its start moved back; the pressed start is kept beside it (HAZ-21). */
export function moveStartBack(timer: RunningTimer, byMs: number): RunningTimer {
  return { ...timer, earlierMs: timer.earlierMs + byMs };
}

/** Return the timer stopped now, before anything is recorded of it. */
export function stopTimer(timer: RunningTimer, now: ClockReading): RunningTimer {
  return { ...timer, stopped: { ...now } };
}

/**
 * Say whether a stop comes before half the planned time: then what was given is asked, not taken
 * from the plan. No source: project default.
 *
 * @param plannedMs - null where the rules give no time, and then no stop is early
 */
export function isStopEarly(elapsedMs: number, plannedMs: number | null): boolean {
  return plannedMs !== null && 2 * elapsedMs < plannedMs;
}

/**
 * Return how long a timer has run.
 *
 * While the clocks agree the monotonic one is shown: it cannot be set. Where they disagree the
 * shorter time is shown, since an injection held too long harms less than one cut short.
 */
export function readTimer(timer: RunningTimer, at: ClockReading): TimerReading {
  const now = timer.stopped ?? at;
  const wallElapsedMs = now.wallMs - timer.started.wallMs + timer.earlierMs;
  if (now.page !== timer.started.page) {
    return {
      elapsedMs: Math.max(0, wallElapsedMs),
      isUncertain: wallElapsedMs < timer.earlierMs,
      wallElapsedMs,
      monotonicElapsedMs: null,
    };
  }
  const monotonicElapsedMs = now.monotonicMs - timer.started.monotonicMs + timer.earlierMs;
  const isUncertain = Math.abs(wallElapsedMs - monotonicElapsedMs) > AGREEMENT_MS;
  return {
    elapsedMs: Math.max(
      0,
      isUncertain ? Math.min(wallElapsedMs, monotonicElapsedMs) : monotonicElapsedMs,
    ),
    isUncertain,
    wallElapsedMs,
    monotonicElapsedMs,
  };
}

/** Return the timer that a remembered text holds, null where it holds none. */
export function readRunningTimer(content: unknown): RunningTimer | null {
  const { started, earlierMs, stopped } = (content ?? {}) as Record<string, unknown>;
  const from = readClocks(started);
  if (from === null || typeof earlierMs !== 'number') return null;
  const until = readClocks(stopped);
  return { started: from, earlierMs, ...(until === null ? {} : { stopped: until }) };
}

function readClocks(content: unknown): ClockReading | null {
  const { wallMs, monotonicMs, page } = (content ?? {}) as Record<string, unknown>;
  return typeof wallMs === 'number' && typeof monotonicMs === 'number' && typeof page === 'string'
    ? { wallMs, monotonicMs, page }
    : null;
}

/** Return whole seconds as `45 s`, from two minutes on as `3 min 5 s`, rounded down. */
export function secondsText(ms: number): string {
  const seconds = Math.floor(Math.max(0, ms) / 1_000);
  if (seconds < 120) return `${seconds} s`;
  return `${Math.floor(seconds / 60)} min ${seconds % 60} s`;
}
