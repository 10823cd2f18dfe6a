/** Joins the parts: the store, the clock, the network and the screens. */
import { mount, unmount } from 'svelte';
import App from './App.svelte';
import { BUILD } from './device/build';
import { deviceClock } from './device/clock';
import { browserCodes } from './device/code-writer';
import { browserDevice } from './device/device';
import { deviceIds } from './device/ids';
import { browserLabels } from './device/label-camera';
import { browserPictures } from './device/picture-device';
import { browserUpdates, registerServiceWorker } from './device/service-worker';
import { browserSound } from './device/sound';
import { keepSpoken, lastSpoken } from './device/spoken';
import { browserWakeLock } from './device/wake-lock';
import { deskRequests } from './network/desk-requests';
import { askServerRole } from './network/server-role';
import type { KeyStanding, OpenAnswer } from './ports';
import Locked from './screens/lock/Locked.svelte';
import Wiped from './screens/lock/Wiped.svelte';
import { openedInvitation } from './screens/welcome/invitation';
import { AppUpdate } from './state/app-update.svelte';
import { CaseUse } from './state/case-use.svelte';
import { Cues } from './state/cues.svelte';
import { DeviceFacts } from './state/device-facts.svelte';
import { language, speakAsKept } from './state/language.svelte';
import { hasLiveCase } from './state/live-on-tablet';
import { Lock, type OpenedBy } from './state/lock.svelte';
import { Places } from './state/place.svelte';
import { ScreenKeeper } from './state/screen-keeper.svelte';
import { StatusSubject } from './state/status-subject.svelte';
import { Tablet } from './state/tablet.svelte';
import { TabletSettings } from './state/tablet-settings.svelte';
import { UnitRuleBook } from './state/unit-rule-book.svelte';
import { WorkerRecordStore } from './storage/worker-record-store';
import { sayTold } from './text/told';
import './theme.css';

/** A desk is a page of its own: no store is opened for it, and none stays open beside it. */
const UNIT_DESK = '#/unit';
const NETWORK_DESK = '#/network';
const DESKS = [UNIT_DESK, NETWORK_DESK];
const openedAt = location.hash;
window.addEventListener('hashchange', () => {
  const isOther = location.hash !== openedAt;
  if (isOther && (DESKS.includes(openedAt) || DESKS.includes(location.hash))) location.reload();
});
const askRole = () => askServerRole((path, init) => fetch(path, init));

async function startDesk(target: HTMLElement): Promise<void> {
  document.documentElement.dataset.theme = 'day';
  await speakAsKept({ recall: async () => lastSpoken() }, askedLanguage());
  // Where the server is away, the address says which desk tells so.
  const role = (await askRole()) ?? (location.hash === NETWORK_DESK ? 'hub' : 'unit');
  const port = deskRequests((path, init) => fetch(path, init));
  const props = { port, codes: browserCodes, clock: deviceClock };
  const leave = () => {
    location.hash = '';
  };
  if (role === 'hub') {
    const { default: NetworkDesk } = await import('./screens/network/NetworkDesk.svelte');
    mount(NetworkDesk, { target, props });
  } else if (location.hash === NETWORK_DESK) {
    const { default: NoNetworkHere } = await import('./screens/network/NoNetworkHere.svelte');
    mount(NoNetworkHere, { target, props: { leave } });
  } else {
    const { default: UnitDesk } = await import('./screens/unit/UnitDesk.svelte');
    mount(UnitDesk, { target, props: { ...props, leave } });
  }
}

/** A device that has joined nothing and was served by a hub is a desk of the network. */
async function leadToNetwork(): Promise<void> {
  if ((await askRole()) === 'hub') location.hash = NETWORK_DESK;
}

async function start(): Promise<void> {
  const target = document.getElementById('app');
  if (target === null) return;
  if (DESKS.includes(openedAt)) return startDesk(target);
  const store = new WorkerRecordStore();
  store.onWiped((sentence) => {
    target.replaceChildren();
    mount(Wiped, { target, props: { sentence, goOn: () => location.reload() } });
  });
  await startTablet(store, target);
}

/**
 * Open the records and draw the app; what is locked begins here anew.
 *
 * @param unlockedBy - who has opened the records out of an emergency case
 */
async function startTablet(
  store: WorkerRecordStore,
  target: HTMLElement,
  unlockedBy: OpenedBy = { kind: 'no-pin' },
): Promise<void> {
  const tablet = new Tablet(store, deviceClock);
  const { opened, by } = await openWithPeople(store, target, unlockedBy);
  if (opened.kind === 'busy-elsewhere' || opened.kind === 'refused') {
    // Fails closed: without a durable store nothing may look recorded.
    target.textContent = sayTold(opened.sentence);
    target.setAttribute('role', 'alert');
    return;
  }
  // Emergency records are a store of their own, in which no language was chosen.
  const kept = opened.isEmergency === true ? { recall: async () => lastSpoken() } : store;
  await speakAsKept(kept, askedLanguage());
  keepSpoken(language.current.tag);
  await tablet.take(opened);
  let app: Record<string, never> | null = null;
  const startAnew = () => {
    keepSpoken(language.current.tag);
    // A new page has none of the old one's memory. Without a service worker there may be no page
    // to load where the network is gone: what was drawn is then taken down in this one.
    if (navigator.serviceWorker?.controller) return location.reload();
    if (app !== null) void unmount(app);
    void startTablet(store, target);
  };
  const openAnew = (openedBy: OpenedBy) => {
    keepSpoken(language.current.tag);
    if (app !== null) void unmount(app);
    void startTablet(store, target, openedBy);
  };
  const hasUnsaved = () => tablet.notSaved !== '';
  const lock = new Lock(
    { keys: store, store, clock: deviceClock, startAnew, openAnew, hasUnsaved, later },
    by,
  );
  await takeWhoUnlocked(tablet, await store.keyStanding(), by);
  const unitRules = new UnitRuleBook(store, deviceClock);
  await unitRules.load();
  const caseUse = new CaseUse({ store, unitRules, today: deviceClock.today });
  const places = new Places(store);
  await places.restore({ name: opened.standing?.role === 'booking' ? 'clinic' : 'cases' });
  await lock.begin(places.current);
  if (lock.isLocking) return;
  const settings = new TabletSettings(store);
  await settings.load();
  const update = new AppUpdate(
    browserUpdates,
    {
      hasLiveCase: () => hasLiveCase(store, places.current),
      hasUnsaved,
    },
    BUILD,
  );
  update.noteWorker(store.build);
  const labels = browserLabels(browserPictures);
  labels.keepReader();
  browserCodes.keep();
  if (opened.standing !== null && openedInvitation() !== '') places.go({ name: 'join' });
  if (opened.standing === null) void leadToNetwork();
  app = mount(App, {
    target,
    props: {
      app: {
        store,
        pictures: { store, device: browserPictures },
        tablet,
        places,
        keys: store,
        lock,
        clock: deviceClock,
        ids: deviceIds,
        unitRules,
        caseUse,
        get ruleBook() {
          return caseUse.ruleBook;
        },
        status: new StatusSubject(store),
      },
      bedside: {
        settings,
        device: new DeviceFacts(browserDevice, opened.persisted),
        cues: new Cues(
          browserSound,
          () => settings.current.loudness,
          deviceClock.monotonicMs,
          later,
        ),
        update,
        keeper: new ScreenKeeper(browserWakeLock),
        labels,
        codes: browserCodes,
      },
    },
  });
}

function askedLanguage(): string | null {
  return new URLSearchParams(location.search).get('speak');
}

type NotLocked = Exclude<OpenAnswer, { kind: 'locked' }>;

/** Open the store; while it is locked, show who can unlock it. */
async function openWithPeople(
  store: WorkerRecordStore,
  target: HTMLElement,
  unlockedBy: OpenedBy,
): Promise<{ opened: NotLocked; by: OpenedBy }> {
  let by = unlockedBy;
  for (;;) {
    const answer = await store.open();
    if (answer.kind !== 'locked') {
      const isEmergency = answer.kind === 'open' && answer.isEmergency === true;
      // A restart finds an emergency case again that was begun before it.
      const found: OpenedBy = { kind: 'emergency', isNew: false };
      return { opened: answer, by: isEmergency && by.kind !== 'emergency' ? found : by };
    }
    await speakAsKept({ recall: async () => lastSpoken() }, askedLanguage());
    by = await new Promise<OpenedBy>((resolve) => {
      const screen = mount(Locked, {
        target,
        props: {
          keys: store,
          clock: deviceClock,
          later,
          locked: answer,
          opened: (openedBy) => {
            void unmount(screen);
            resolve(openedBy);
          },
        },
      });
    });
  }
}

/** Who unlocked the tablet taps on it. */
async function takeWhoUnlocked(tablet: Tablet, keys: KeyStanding, by: OpenedBy): Promise<void> {
  if (by.kind !== 'pin') return;
  const person = keys.people.find(({ staff }) => staff === by.staff);
  if (person) await tablet.chooseWhoTaps(person.staff, person.name, person.role);
}

function later(waitMs: number, work: () => void): () => void {
  const timer = setTimeout(work, waitMs);
  return () => clearTimeout(timer);
}

// Also where the store does not open: the build that mends it has to get in.
void registerServiceWorker();
void start();
