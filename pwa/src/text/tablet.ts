/** Sentences of the place "This tablet", of the status line and of the edge below (UX-19, UX-23). */
import type { ExchangeStanding } from '../ports';

type PedalActName = 'primary' | 'back';
const acts: Record<PedalActName, string> = { primary: 'the primary action', back: 'back' };

export const pedalRefusals = {
  nameless:
    'NOT SAVED. This key has no name here. Set the pedal to send PageDown or PageUp, then press again.',
  ofOthers: (name: string) =>
    `NOT SAVED. "${name}" has its own meaning for a keyboard. Press another key.`,
  taken: (name: string, act: PedalActName) =>
    `NOT SAVED. "${name}" means ${acts[act]} already. Press another key.`,
};

export const settingsNotSaved =
  'NOT SAVED. The setting holds until this page is closed. Free some space, then set it again.';

const plural = (count: number, one: string, more: string) =>
  count === 1 ? `1 ${one}` : `${count} ${more}`;
const ago = (minutes: number) =>
  minutes < 1
    ? 'under 1 min ago'
    : minutes < 120
      ? `${minutes} min ago`
      : `${Math.floor(minutes / 60)} h ago`;

export const tabletWords = {
  title: 'This tablet',
  place: 'This tablet',
  checkTitle: 'Check before use',
  checkNote: 'Look through it once a day, before the first case.',
  noted: (on: string, time: string, by: string, open: number) =>
    `Noted ${on} ${time}${by ? ` by ${by}` : ''}${open > 0 ? `, ${plural(open, 'open point', 'open points')}` : ''}.`,
  notNoted: 'Not noted on this tablet yet.',
  note: (open: number) =>
    open === 0 ? 'Note: looked through' : `Note: ${plural(open, 'open point', 'open points')}`,
  standings: { good: 'In order', look: 'Look', untold: 'By hand' },
  acts: {
    persist: 'Ask to keep storage',
    sound: 'Play the four sounds',
    pedal: 'Try the pedal',
    install: 'Install the app',
    exchange: 'Exchange now',
    update: 'Update now',
  },
  handTitle: 'Which hand taps?',
  handNote: 'At the bedside, undo moves to the edge away from the tapping hand.',
  hands: { right: 'Right hand', left: 'Left hand' },
  soundTitle: 'Sounds',
  soundNote: 'Four soft tones, never alone: each is shown as well. No alarm; watch the monitor.',
  loudness: { off: 'Off', low: 'Low', normal: 'Normal' },
  pedalTitle: 'Foot pedal or page turner',
  pedalNote:
    'It presses the one marked action, or goes back a view. It never undoes, signs or passes a stop.',
  pedalLearn: { primary: 'Learn: primary action', back: 'Learn: back a view' },
  pedalPress: 'Press your pedal now.',
  pedalStop: 'Stop learning',
  pedalHeard: (name: string) => `Key: ${name}`,
  pedalDoes: {
    primary: 'Does: primary action',
    back: 'Does: back a view',
    none: 'Does: nothing here',
  },
  pedalLearned: (name: string) => `Saved. "${name}" is learned.`,
  pedalKnown: (name: string) => `"${name}" does that already.`,
  pedalStandard: 'Known without learning',
  pedalOwn: 'Learned here',
  pedalForget: 'Forget learned keys',
  pedalNone: 'none',
};

/** Words of the check, row by row. */
export const checkWords = {
  what: {
    storage: 'Storage is kept',
    room: 'Free space',
    store: 'Record store',
    key: 'Signing key',
    sound: 'Sound',
    pedal: 'Pedal',
    screen: 'Screen lock',
    battery: 'Battery',
    clock: 'Clock',
    exchange: 'Last exchange',
    build: 'App build',
    installed: 'Installed',
  },
  notTold: 'the browser does not tell',
  underWay: 'one moment',
  notAsked: 'not compared yet',
  notTried: 'not tried yet',
  kept: 'the browser promised',
  mayBeCleared: 'may be cleared',
  exchangeOften: 'Exchange with the unit often.',
  free: (megabytes: number) => `${megabytes} MB`,
  makeRoom: 'Below 200 MB. Remove other things from this tablet before a case.',
  lookAtRoom: 'Look into the settings of the tablet: at least 200 MB must be free.',
  readsBack: 'writes and reads back',
  notReadBack: 'does not read back',
  useAnother: 'Use another tablet, and tell the data manager.',
  present: 'present',
  missing: 'missing',
  joinAgain: 'Restart the browser. If it stays so, join the unit again.',
  otherBrowser: 'Restart the browser, not in a private window.',
  soundOff: 'off, cues are shown alone',
  played: 'played',
  mute: 'does not play',
  unmute: 'Take off the mute switch, turn the tablet up, then play again.',
  trySound: 'Play the sounds and listen.',
  heard: (name: string) => `heard ${name}`,
  learnedKeys: (count: number) => plural(count, 'learned key', 'learned keys'),
  tryPedal: 'If a pedal is used: press it here once.',
  keptOnAtBedside: 'kept on in Procedure',
  cannotKeepOn: 'may sleep',
  lockOff: 'Set the automatic lock of the tablet to off, or to its longest.',
  battery: (perCent: number, isCharging: boolean) =>
    `${perCent} %, ${isCharging ? 'charging' : 'not charging'}`,
  lookAtBattery: 'Look at the battery; plug the tablet in below 20 %.',
  offset: (seconds: number) =>
    seconds === 0 ? 'as the unit has it' : `${seconds} s from the unit`,
  exchange: 'Exchange with the unit once.',
  atNoUnit: 'at no unit',
  joinUnit: 'Join a unit: see About.',
  notSinceStart: 'none since the start',
  exchanged: (minutes: number, unsent: number) =>
    `${ago(minutes)}, ${unsent === 0 ? 'nothing unsent' : `${unsent} unsent`}`,
  build: (build: string) => build,
  mixedBuilds:
    'Parts of another build are here. Close every window of the app, then open it again.',
  updateAfterCase: 'Update ready, after this case.',
  updateAfterSaving: 'Update ready, once everything on screen is saved.',
  updateReady: 'Update ready. It takes a few seconds.',
  installed: 'yes',
  notInstalled: 'no',
  installNow: 'Install it, so that the storage is kept.',
  installByHand: 'Put it on the home screen from the share menu of the browser.',
  installElsewhere: 'Use the menu of the browser to install it, where it offers that.',
};

/** Words of the status line. */
export const statusWords = {
  noPatient: 'No patient open',
  states: {
    alone: 'On this tablet only',
    resting: 'All at the unit',
    exchanging: 'Exchanging',
    'no-network': 'No network',
    refused: 'Unit refused',
    'needs-a-person': 'Needs a person',
  } satisfies Record<ExchangeStanding['state'], string>,
  unsent: (count: number, ageMs: number, state: string) => {
    const minutes = Math.max(0, Math.floor(ageMs / 60_000));
    const age =
      minutes < 1
        ? 'under 1 min'
        : minutes < 120
          ? `${minutes} min`
          : `${Math.floor(minutes / 60)} h`;
    return `${count} unsent, ${age} (${state.toLowerCase()})`;
  },
  battery: (perCent: number) => `Battery ${perCent} %`,
  batteryCharging: (perCent: number) => `Battery ${perCent} %, charging`,
  batteryLow: (perCent: number) => `Battery ${perCent} %: plug in`,
  batteryUntold: 'Battery not told',
  screen: {
    'kept-on': 'Screen kept on',
    'may-sleep': 'Screen may sleep',
    'cannot-keep': 'Screen may sleep',
    'not-asked': 'Screen may sleep',
  },
  reached: {
    tablet: 'Case on this tablet',
    unit: 'Case at the unit',
    hub: 'Case at the hub',
  },
  taps: 'Taps:',
  nobody: 'nobody yet',
};

/** Words of the edge below: cues, and what stands for longer. */
export const edgeWords = {
  cues: {
    recorded: '● Recorded',
    time: '◆ Planned time reached',
    blocked: '■ Not yet: see above',
    'sync-lost': '▲ Unit out of reach',
  },
  mute: 'Sound does not play',
  updateAfterCase: 'Update ready, after this case',
  updateReady: 'Update ready: see This tablet',
};

export const wipeWords = {
  wipe: 'Wipe screen',
  title: 'Wipe now',
  note: 'Nothing is recorded.',
  hold: 'Hold 1 s to go on',
  held: 'Keep holding',
  letGo: 'Let go',
};

export const startWords = {
  notChecked: 'Tablet not checked today.',
  check: 'Check this tablet',
};
