// Prints the public holidays of a country, and perhaps of a region of it, in some
// years as date-holidays has them: one JSON object a line.
//
//   node holidays.cjs GB ENG 2024 2028
const Holidays = require('date-holidays')
const [country, region, first, last] = process.argv.slice(2)
const holidays = region === '-' ? new Holidays(country) : new Holidays(country, region)
for (let year = Number(first); year <= Number(last); year++) {
  for (const day of holidays.getHolidays(year)) {
    if (day.type === 'public' || day.type === 'bank') {
      console.log(JSON.stringify({ date: day.date.slice(0, 10), name: day.name, type: day.type, substitute: Boolean(day.substitute) }))
    }
  }
}
