/**
 * Listens on the page for a hand scanner that types like a keyboard.
 *
 * One listener for the whole app, always on: the Enter at the end of a code would otherwise press
 * the button that has the focus, or the primary action as a pedal does, on any screen.
 */
import { LONGEST_GAP_MS, type WedgeKey, WedgeKeys } from '../state/wedge-keys';

/** Whoever takes a code now; the last to ask comes first. */
interface Taker {
  read: (code: string) => void;
  isWanted: () => boolean;
}

type Field = HTMLInputElement | HTMLTextAreaElement;

const isField = (target: EventTarget | null): target is Field =>
  target instanceof HTMLInputElement || target instanceof HTMLTextAreaElement;

/**
 * Start listening; returns how a part of the app asks for codes, until it calls what it is given.
 *
 * Keys that turn out to be no code reach the page as they would have. A code that nobody takes
 * is kept from the page, unless it was typed into a field. A field into which a code was typed
 * that somebody takes is left as it was before.
 */
export function watchWedge(): (read: Taker['read'], isWanted: Taker['isWanted']) => () => void {
  const keys = new WedgeKeys();
  const takers: Taker[] = [];
  /** Keys given back to the page after they were no code. */
  const givenBack = new WeakSet<Event>();
  let waiting: ReturnType<typeof setTimeout> | undefined;
  /** Where the keys that are held were typed, and what stood there before. */
  let target: EventTarget = window;
  let field: { element: Field; before: string } | null = null;
  let hadSpace = false;

  function giveBack(released: readonly WedgeKey[]): void {
    // A field has its characters already.
    if (field === null) {
      for (const { key, code, ctrlKey, altKey, metaKey } of released) {
        const again = new KeyboardEvent('keydown', {
          ...{ key, code, ctrlKey, altKey, metaKey },
          bubbles: true,
          cancelable: true,
        });
        givenBack.add(again);
        target.dispatchEvent(again);
      }
    }
    if (released.length > 0) field = null;
  }

  function hold(event: KeyboardEvent): void {
    target = event.target ?? window;
    if (isField(target)) {
      field ??= { element: target, before: target.value };
    } else {
      event.preventDefault();
      event.stopImmediatePropagation();
    }
    hadSpace ||= event.key === ' ';
    waiting = setTimeout(() => giveBack(keys.giveUp(performance.now())), LONGEST_GAP_MS + 10);
  }

  function takeCode(event: KeyboardEvent, code: string): void {
    const taker = takers.findLast(({ isWanted }) => isWanted());
    const typedInto = field;
    field = null;
    if (taker === undefined && typedInto !== null) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    if (typedInto !== null) {
      typedInto.element.value = typedInto.before;
      typedInto.element.dispatchEvent(new Event('input', { bubbles: true }));
    }
    taker?.read(code);
  }

  function onkeydown(event: KeyboardEvent): void {
    if (givenBack.has(event)) return;
    const { key, code, ctrlKey, altKey, metaKey, repeat, timeStamp } = event;
    const taken = keys.take({ key, code, ctrlKey, altKey, metaKey, repeat, atMs: timeStamp });
    giveBack(taken.released);
    if (taken.kind !== 'passed' || taken.released.length > 0) clearTimeout(waiting);
    if (taken.kind === 'held') hold(event);
    else if (taken.kind === 'read') takeCode(event, taken.text);
  }

  // The release of a space within a code would press the button that has the focus.
  function onkeyup(event: KeyboardEvent): void {
    if (event.key !== ' ' || !hadSpace) return;
    event.preventDefault();
    hadSpace = false;
  }

  window.addEventListener('keydown', onkeydown, { capture: true });
  window.addEventListener('keyup', onkeyup, { capture: true });
  return (read, isWanted) => {
    const taker = { read, isWanted };
    takers.push(taker);
    return () => {
      const place = takers.indexOf(taker);
      if (place >= 0) takers.splice(place, 1);
    };
  };
}
