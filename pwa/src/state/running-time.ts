/** The timer that runs at the bedside, for whatever lies over the screen while it does. */
import { getContext, setContext } from 'svelte';

export interface RunningTime {
  /** As people read it, "" while no timer runs. */
  readonly time: string;
  /** What the primary action says that stops it. */
  readonly stopWords: string;
  /** Leave what lies over the screen, and do as the primary action does. */
  stop: () => void;
}

const KEY = Symbol('running time');

export function provideRunningTime(running: RunningTime): void {
  setContext(KEY, running);
}

/** Return the timer of the bedside, null on other screens; call while a component is being made. */
export function useRunningTime(): RunningTime | null {
  return getContext<RunningTime | undefined>(KEY) ?? null;
}
