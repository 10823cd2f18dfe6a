/** Every sentence of the Welcome screen; CAU-01 of the safety requirements. */
export const welcome = {
  title: 'Crura',
  what: [
    'A case companion for treating gastric varices under endoscopic ultrasound.',
    'It records, calculates and plans follow-up, with or without a network.',
  ],
  caution:
    "This tool records and calculates from your unit's rule files. It does not know the patient. Your judgement, local protocol and each product's licence decide.",
  notCertified: 'It is not a certified medical device.',
  joinTitle: 'Join a unit',
  joinNote: 'The unit gives you a link or a code. It works once.',
  linkFound: 'Your link carries an invitation.',
  code: 'Invitation code',
  join: 'Join as this device',
  joining: 'Joining. This needs the network once.',
  otherCode: 'Type another code',
  refusedHint: 'Nothing was changed on this device.',
  aloneTitle: 'No unit yet?',
  aloneNote: 'Everything at the bedside works. You can join a unit later.',
  alone: 'Work on this device alone',
  stayTitle: 'Already at work here',
  stayNote: 'What was recorded on this device stays and goes to the unit it joins.',
  stay: 'Leave as it was',
};
