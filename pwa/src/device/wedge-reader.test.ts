/** What a page sees of a hand scanner: nothing, whatever ends its codes. */
import { afterEach, beforeEach, expect, test, vi } from 'vitest';
import { TORN_CODE, watchWedge } from './wedge-reader';

/** The part of a browser that is listened to; Node has events, but no keyboard. */
class Key extends Event {
  readonly at: object | null;
  readonly key: string;
  readonly atMs: number;
  readonly code = '';
  readonly ctrlKey = false;
  readonly altKey = false;
  readonly metaKey = false;
  readonly repeat = false;

  constructor(name: string, { key = '', atMs = 0, at = null as object | null } = {}) {
    super(name, { bubbles: true, cancelable: true });
    [this.key, this.atMs, this.at] = [key, atMs, at];
  }

  override get target(): EventTarget | null {
    return (this.at ?? super.target) as EventTarget | null;
  }

  override get timeStamp(): number {
    return this.atMs;
  }
}
class Field extends EventTarget {
  value = '';
}

const CODE = '010950600013435210AB';
let page: EventTarget;
let atMs = 0;
/** Keys that reached the page, and of these the ones whose own act was not stopped. */
let reached: string[] = [];

beforeEach(() => {
  vi.useFakeTimers();
  page = new EventTarget();
  [atMs, reached] = [1_000, []];
  vi.stubGlobal('window', page);
  vi.stubGlobal('KeyboardEvent', Key);
  vi.stubGlobal('HTMLInputElement', Field);
  vi.stubGlobal('HTMLTextAreaElement', class extends Field {});
});
afterEach(() => {
  vi.unstubAllGlobals();
  vi.useRealTimers();
});

/** Listen as the app does, with a screen behind; returns the codes that were told. */
function open(isWanted = true): string[] {
  const told: string[] = [];
  watchWedge()(
    (code) => told.push(code),
    () => isWanted,
  );
  page.addEventListener('keydown', (event) => reached.push((event as Key).key));
  return told;
}

/** Press keys 4 ms apart, where or in a field; returns those whose own act was stopped. */
function press(names: readonly string[], at: object | null = null): string[] {
  return names.filter((key) => {
    atMs += 4;
    const event = new Key('keydown', { key, atMs, at });
    page.dispatchEvent(event);
    if (at instanceof Field && !event.defaultPrevented && key.length === 1) at.value += key;
    return event.defaultPrevented;
  });
}
const pause = (waitMs: number) => {
  atMs += waitMs;
  vi.advanceTimersByTime(waitMs);
};

/** [HAZ-23] Caught: the second Enter placed a coil. */
test.each([[['Enter', 'Enter']], [['Enter', 'ArrowDown']], [['Tab']]])(
  'of a code that ends with %j the page sees nothing',
  (end) => {
    const told = open();
    const stopped = press([...CODE, ...end]);

    expect(told).toEqual([CODE]);
    expect(reached).toEqual([]);
    expect(stopped.slice(-end.length)).toEqual(end);
  },
);

/** [HAZ-23] [HAZ-46] It is told by a text that no rule reads, so that nothing of it is taken. */
test.each([[['12345']], [['0109506000134352', '1021B77']]])('%j is told as torn', (pieces) => {
  const told = open();
  for (const piece of pieces) {
    pause(80);
    press([...piece]);
  }
  press(['Enter', 'Enter']);

  expect(told).toEqual([TORN_CODE]);
  expect(reached).toEqual([]);
});

test('a pedal 60 ms after a scan reaches the page', () => {
  open();
  press([...CODE, 'Enter']);
  pause(56);
  expect(press(['PageDown', 'Enter'])).toEqual([]);

  expect(reached).toEqual(['PageDown', 'Enter']);
});

test('a letter alone is given back', () => {
  open();
  press(['b']);
  expect(reached).toEqual([]);
  pause(70);

  expect(reached).toEqual(['b']);
});

/** Caught a planted bug: the rest of a quick word kept from the field it was typed into. */
test('a field gets every character, however quick, and its Enter where nobody asks for codes', () => {
  for (const isWanted of [true, false]) {
    const field = new Field();
    open(isWanted);
    press([...'the'], field);
    pause(100);
    press([...' rest'], field);
    pause(100);
    const stopped = press(['Enter'], field);

    expect(field.value).toBe('the rest');
    expect(stopped).toEqual(isWanted ? ['Enter'] : []);
    pause(1_000);
    page = new EventTarget();
    vi.stubGlobal('window', page);
  }
});

/** Caught a planted bug: what stood in the field before an earlier burst put back. */
test('a field into which a code was typed is left as it was just before', () => {
  const field = new Field();
  const told = open();
  press([...'lot'], field);
  pause(1_000);
  press([...CODE, 'Enter'], field);

  expect(told).toEqual([CODE]);
  expect(field.value).toBe('lot');
});
