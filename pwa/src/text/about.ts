/** Sentences of the About screen; CAU-01 and CAU-11 of the safety requirements. */
export const about = {
  title: 'About Crura',
  useTitle: 'Before you rely on it',
  use: [
    "This tool records and calculates from your unit's rule files. It does not know the patient.",
    "Your judgement, local protocol and each product's licence decide.",
    'It is not a certified medical device. A unit that uses it takes on its local duties.',
    'A number that looks wrong: do not use it. Tell the unit lead and keep the tablet as it is.',
  ],
  deviceTitle: 'This device',
  device: 'Device',
  notJoined: 'This device is at no unit now. What is recorded stays here until it joins one.',
  join: 'Join a unit',
  persisted: 'The browser has promised to keep what is stored here.',
  notPersisted:
    'The browser may clear what is stored here when space runs out. Exchange with the unit often.',
};
