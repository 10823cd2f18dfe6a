/**
 * Listens on the page for a hand scanner that types like a keyboard.
 *
 * One listener for the whole app, always on: the Enter at the end of a code would otherwise press
 * the button that has the focus, or the primary action as a pedal does, on any screen.
 */
import { characterOf, LONGEST_GAP_MS, type WedgeKey, WedgeKeys } from '../state/wedge-keys';

/** Whoever takes a code now; the last to ask comes first. */
interface Taker {
  read: (code: string) => void;
  isWanted: () => boolean;
}

/**
 * What is told of a code that did not come whole: the character that stands for what could not be
 * read (Unicode). No rule reads it, so that whoever takes it says to scan again.
 */
export const TORN_CODE = '\ufffd';

type Field = HTMLInputElement | HTMLTextAreaElement;

const isField = (target: EventTarget | null): target is Field =>
  target instanceof HTMLInputElement || target instanceof HTMLTextAreaElement;

/**
 * Start listening; returns how a part of the app asks for codes, until it calls what it is given.
 *
 * Keys that turn out to be no scanner's reach the page as they would have. A code that nobody takes
 * is kept from the page, unless it was typed into a field. A field into which a code was typed
 * that somebody takes is left as it was before; a field keeps what may be a quick typist's.
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
    if (field !== null) return;
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

  function keepFromPage(event: KeyboardEvent): void {
    event.preventDefault();
    event.stopImmediatePropagation();
    hadSpace ||= event.key === ' ';
  }

  const wantedBy = () => takers.findLast(({ isWanted }) => isWanted());

  function hold(event: KeyboardEvent): void {
    target = event.target ?? window;
    if (keys.heldCount === 1) field = null;
    if (isField(target)) field ??= { element: target, before: target.value };
    else keepFromPage(event);
    waiting = setTimeout(() => giveBack(keys.giveUp(performance.now())), LONGEST_GAP_MS + 10);
  }

  function takeCode(event: KeyboardEvent, code: string): void {
    const taker = wantedBy();
    const typedInto = field;
    field = null;
    if (taker === undefined && typedInto !== null) return;
    keepFromPage(event);
    if (typedInto !== null) {
      typedInto.element.value = typedInto.before;
      typedInto.element.dispatchEvent(new Event('input', { bubbles: true }));
    }
    taker?.read(code);
  }

  function drop(event: KeyboardEvent, key: WedgeKey): void {
    const isFields = wantedBy() === undefined || characterOf(key) !== null;
    if (!(isField(event.target) && isFields)) keepFromPage(event);
  }

  function onkeydown(event: KeyboardEvent): void {
    if (givenBack.has(event)) return;
    const { key, code, ctrlKey, altKey, metaKey, repeat, timeStamp } = event;
    const pressed = { key, code, ctrlKey, altKey, metaKey, repeat, atMs: timeStamp };
    const taken = keys.take(pressed);
    giveBack(taken.released);
    if (taken.kind !== 'passed' || taken.released.length > 0) clearTimeout(waiting);
    if (taken.kind === 'held') hold(event);
    else if (taken.kind === 'read') takeCode(event, taken.text);
    else if (taken.kind !== 'passed') drop(event, pressed);
    if (taken.kind === 'lost') wantedBy()?.read(TORN_CODE);
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
