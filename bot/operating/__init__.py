"""What an operator needs: health, figures, logs, the doctor, backups; and README.md, their page."""
